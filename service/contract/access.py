"""Enrolment of agents and sign-in of people."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

import msgspec

from service.contract.wire import Code, Text, UtcTime, Wire


class EnrolAgent(Wire):
    id: UUID
    code: Annotated[str, msgspec.Meta(min_length=8, max_length=128, description="one-time enrolment code")]
    name: Code
    platform: Text
    version: Text


class AgentEnrolled(Wire):
    id: UUID
    site: Code
    site_name: str
    time_zone: str
    token: str
    keys: JwkSet


class Jwk(Wire):
    """A public Ed25519 key as RFC 8037 (OKP) writes it."""

    kty: str
    crv: str
    kid: str
    x: str


class JwkSet(Wire):
    keys: list[Jwk]


class AgentReport(Wire):
    """What a workstation says of itself; asked for by nobody, shown to the manager."""

    version: Text
    platform: Text
    clock: UtcTime
    held_revisions: list[UUID]
    queued_files: int
    queued_bytes: int
    spool_free_bytes: int


class AgentStanding(Wire):
    id: UUID
    name: str
    site: str
    enrolled_at: UtcTime
    last_seen_at: UtcTime | None
    report: AgentReport | None
    clock_offset_s: float | None


class SignIn(Wire):
    login: Text
    password: Annotated[str, msgspec.Meta(min_length=1, max_length=1024)]


class SignedIn(Wire):
    token: str
    expires_at: UtcTime
    name: str
    roles: list[str]
    sites: list[str] | None


class Site(Wire):
    code: str
    name: str
    kind: str
    time_zone: str

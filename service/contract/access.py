"""Enrolment of agents and sign-in of people."""

from __future__ import annotations

from typing import Annotated, Any, Literal
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


class AgentToken(Wire):
    """A further token of an agent. Those before it end some days after it was first used."""

    token: str
    expires_at: UtcTime


class Jwk(Wire):
    """A public Ed25519 key as RFC 8037 (OKP) writes it."""

    kty: str
    crv: str
    kid: str
    x: str


class JwkSet(Wire):
    keys: list[Jwk]


class KeyRecord(Wire):
    """A fact about a receipt key: that it signs (`trusted`), or that from `recorded_at` on nothing it signed
    proves anything, and why. `x` is its public half (RFC 8037)."""

    id: UUID
    key_id: str
    x: str
    trusted: bool
    reason: str | None
    by: str | None
    recorded_at: UtcTime
    replaces: list[UUID]


class AgentReport(Wire):
    """What a workstation says of itself; asked for by nobody, shown to the manager. `refused_preparations`:
    cards that went out although the service refused their preparation, each with the reason."""

    version: Text
    platform: Text
    clock: UtcTime
    held_revisions: list[UUID]
    queued_files: int
    queued_bytes: int
    spool_free_bytes: int
    refused_preparations: Annotated[list[Text], msgspec.Meta(max_length=100)] = []


class EnrolledAgent(Wire):
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


class PasswordReset(Wire):
    """Somebody else set the password of the account; it serves to set another, and for nothing else."""

    at: UtcTime
    by: str


class SignedIn(Wire):
    token: str
    expires_at: UtcTime
    name: str
    roles: list[str]
    sites: list[str] | None
    password_reset: PasswordReset | None


class Session(Wire):
    """One session of the caller's. `used_at` lags by up to five minutes; null: not used yet."""

    id: UUID
    created_at: UtcTime
    used_at: UtcTime | None
    expires_at: UtcTime | None
    current: bool


class CallerRights(Wire):
    """Who calls, and what the caller may do; `sites` null means every site."""

    id: UUID
    name: str
    agent: bool
    roles: list[str]
    acts: list[str]
    sites: list[str] | None


class NewCode(Wire):
    """Asks for a one-time code with which one workstation of `site` may enrol."""

    site: Code
    hours: Annotated[int, msgspec.Meta(ge=1, le=24 * 14)] = 24


class EnrolmentCode(Wire):
    """Shown once; the service keeps a hash of it."""

    code: str
    site: str
    expires_at: UtcTime


Login = Annotated[str, msgspec.Meta(min_length=2, max_length=64, pattern=r"^[a-z0-9][a-z0-9._@-]*$(?!\n)")]
NewPassword = Annotated[str, msgspec.Meta(min_length=12, max_length=1024)]
Roles = Annotated[list[str], msgspec.Meta(min_length=1, max_length=8)]
SiteCodes = Annotated[list[Code], msgspec.Meta(min_length=1, max_length=1000)]


class AccountIn(Wire):
    """An account to make or to change. `sites` null means every site. `password` may be left out in a
    change; given, it is the new one."""

    login: Login
    name: Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
    roles: Roles
    sites: SiteCodes | None
    password: NewPassword | None = None


class Account(Wire):
    """`reset_at`: when somebody else set the password; null once the person has set another."""

    id: UUID
    login: str
    name: str
    roles: list[str]
    sites: list[str] | None
    created_at: UtcTime
    closed_at: UtcTime | None
    reset_at: UtcTime | None


class AccountProposed(Wire):
    """What an account is to be allowed, and where: it takes effect when a second administrator confirms it.
    `password` may be left out; given, it is good for one sign-in, to set another."""

    account: UUID
    roles: Roles
    sites: SiteCodes | None
    password: NewPassword | None = None


Decision = Literal["confirmed", "refused", "withdrawn"]


class ProposalDecision(Wire):
    """Confirmed or refused by another administrator of the same sites, or withdrawn by who proposed it."""

    decision: Decision


class AccountProposal(Wire):
    """`decision` null: nobody has decided yet. People are named as their accounts name them."""

    id: UUID
    account_id: UUID
    login: str
    name: str
    roles_before: list[str]
    sites_before: list[str] | None
    roles: list[str]
    sites: list[str] | None
    new_password: bool
    proposed_by: str
    proposed_at: UtcTime
    decision: Decision | None
    decided_by: str | None
    decided_at: UtcTime | None


class PasswordChange(Wire):
    """`current` proves that the person himself changes it."""

    current: Annotated[str, msgspec.Meta(max_length=1024)]
    new: NewPassword


class SiteIn(Wire):
    """`time_zone` is a name of the IANA time zone database, such as Europe/Dublin. `card_profile` is the code
    of the card profile by which the site's workstations prepare cards unless told otherwise; null: the deeper
    tree."""

    name: Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
    kind: Annotated[str, msgspec.Meta(min_length=1, max_length=64)]
    time_zone: Annotated[str, msgspec.Meta(min_length=1, max_length=64)]
    card_profile: Code | None = None


class Site(Wire):
    code: str
    name: str
    kind: str
    time_zone: str
    card_profile: str | None = None


PersonName = Annotated[str, msgspec.Meta(min_length=1, max_length=200, pattern=r"^\S(.*\S)?$(?!\n)")]


class SitePeople(Wire):
    """People of a site who have no account and whose words an agent may carry; accounts that may make
    statements at the site count without being listed here."""

    names: Annotated[list[PersonName], msgspec.Meta(max_length=5000)]


class AccessEvent(Wire):
    """Something that somebody did, or was refused; `outcome` is done or refused.

    `by`: who, and `concerns`: to what, by the names of the day; `by` null: nobody was signed in. `sites`
    null: it concerns no site by itself. `times`: how often within a minute. `route`: method and pattern of
    the address.
    """

    id: UUID
    kind: str
    at: UtcTime
    outcome: str
    by: str | None
    by_account_id: UUID | None
    by_agent_id: UUID | None
    concerns: str | None
    account_id: UUID | None
    agent_id: UUID | None
    digest: str | None
    sites: list[str] | None
    times: int
    address: str | None
    user_agent: str | None
    request_id: str | None
    route: str | None
    detail: dict[str, Any] | None

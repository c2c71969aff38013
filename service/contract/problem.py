"""Refusals on the wire: RFC 9457 problem details, with two members of ours."""

from __future__ import annotations

import msgspec


class ProblemError(msgspec.Struct, rename="camel", omit_defaults=True):
    """One part of a refusal: `path` is a JSON pointer or a card path."""

    detail: str
    path: str | None = None
    line: int | None = None


class Problem(msgspec.Struct, rename="camel", omit_defaults=True):
    """application/problem+json. `consequence`: what it means for the data; `next_step`: what to do."""

    type: str
    title: str
    status: int
    detail: str
    instance: str | None = None
    consequence: str | None = None
    next_step: str | None = None
    errors: list[ProblemError] = []

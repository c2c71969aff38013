"""Custody of originals: how much is read back when, what is an orphan, how long a lock lasts. Pure."""

from __future__ import annotations

import math
from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol, TypeVar

from service.access.rules import Caller, Role
from service.errors import NotAllowed

AUDITS_PER_DAY = 24
# The schedule aims at four fifths of the window: a worker may stand still for the rest of it.
SPARE = 1.25

MAY_LOOK = frozenset({Role.AUTHOR, Role.APPROVER, Role.AUDITOR, Role.ADMINISTRATOR})


def may_look(caller: Caller) -> bool:
    """Whether the caller may see how the originals are kept."""
    return bool(caller.roles & MAY_LOOK)


def must_look(caller: Caller) -> None:
    """Raise NotAllowed unless the caller may see how the originals are kept."""
    if not may_look(caller):
        raise NotAllowed(
            f"{caller.name} may not see how the originals are kept.",
            next_step="Ask an auditor, the quality office or an administrator.",
        )


def share(originals: int, window_days: int) -> int:
    """How many originals one scheduled audit reads, so that all are read within the window."""
    return math.ceil(originals * SPARE / (window_days * AUDITS_PER_DAY))


class Aged(Protocol):
    @property
    def digest(self) -> str | None: ...
    @property
    def modified(self) -> datetime: ...


A = TypeVar("A", bound=Aged)


def orphans(listed: Iterable[A], named: Container[str], at: datetime, age: timedelta) -> list[A]:
    """The entries that nothing names and that have been in the store for `age`, by the store's clock.

    An object whose name is not a digest is no orphan: the service did not put it there.
    """
    return [
        entry
        for entry in listed
        if entry.digest is not None and entry.digest not in named and at - entry.modified >= age
    ]


@dataclass(frozen=True, slots=True)
class Policy:
    """How long a site wants its originals locked; 0 days: not at all. `strict`: nobody may lift the lock
    before its time (COMPLIANCE), else whoever holds that right at the store may (GOVERNANCE)."""

    days: int
    strict: bool

    @property
    def span(self) -> timedelta:
        return timedelta(days=self.days)


def strongest(policies: Iterable[Policy]) -> Policy | None:
    """The policy for an original seen at several sites: the longest time and the strictest mode of any."""
    asked = [policy for policy in policies if policy.days > 0]
    if not asked:
        return None
    return Policy(max(policy.days for policy in asked), any(policy.strict for policy in asked))


def renew_at(until: datetime, policy: Policy) -> datetime:
    """When a lock is renewed: while a third of the policy's time is left."""
    return until - policy.span / 3


def counted(outcomes: Sequence[str]) -> dict[str, int]:
    """How often each outcome came up, those that did not come up included."""
    return {name: outcomes.count(name) for name in ("sound", "damaged", "missing", "unreadable")}

"""How the originals are kept: what was read back, what is not sound, how long they are locked."""

from __future__ import annotations

from typing import Annotated, Literal
from uuid import UUID

import msgspec

from service.contract.wire import Digest, UtcTime, Wire

LockMode = Literal["governance", "compliance"]
NotSound = Literal["damaged", "missing", "unreadable"]


class RetentionIn(Wire):
    """How long a site wants its originals locked in the store. 0 days: not at all; locks that stand run out.
    `compliance`: nobody can lift a lock before its time; `governance`: whoever holds that right at the store
    can. A lock is never shortened."""

    days: Annotated[int, msgspec.Meta(ge=0, le=36_500)]
    mode: LockMode = "governance"


class Retention(Wire):
    """The policy that stands at a site; `number` counts its changes, 0: none was ever recorded."""

    site: str
    days: int
    mode: LockMode
    number: int
    by: str | None
    recorded_at: UtcTime | None


class OriginalSeen(Wire):
    """Where an original was seen."""

    site: str
    card_return_id: UUID
    path: str


class NotSoundOriginal(Wire):
    """An original whose last reading was not sound. `kept_version`: the store keeps this earlier version
    of it, and that one is sound."""

    digest: Digest
    size: int
    outcome: NotSound
    told: str | None
    kept_version: str | None
    read_at: UtcTime
    units: list[str]
    seen: list[OriginalSeen]


class CustodyRun(Wire):
    """One pass over the store; `found` counts by name what it found."""

    kind: str
    started_at: UtcTime
    ended_at: UtcTime
    found: dict[str, int]


class CustodyOverview(Wire):
    """Counts over every original. `read_back`: within the last `window_days` days; `overdue`: neither read
    back nor come in within them. `not_sound` lists those at the caller's sites, the first of them;
    `not_sound_more` counts the others there, `not_sound_elsewhere` those seen only at other sites.
    `object_lock` None: not looked at, because no site has a policy. `database_writable`, `store_writable`
    False: it takes no writes, as with a full disk; None: not asked."""

    window_days: int
    held: int
    bytes: int
    read_back: int
    overdue: int
    damaged: int
    missing: int
    unreadable: int
    oldest: UtcTime | None
    locked: int
    first_lock_ends: UtcTime | None
    object_lock: bool | None
    not_sound: list[NotSoundOriginal]
    database_writable: bool | None
    store_writable: bool | None
    not_sound_more: int
    not_sound_elsewhere: int
    runs: list[CustodyRun]
    retention: list[Retention]

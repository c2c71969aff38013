"""How the originals are kept, as a person asks for it; and the retention policy of a site."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.access.store import known_site, note
from service.contract.custody import (
    CustodyRun,
    CustodyStanding,
    NotSoundOriginal,
    OriginalSeen,
    Retention,
    RetentionIn,
)
from service.contract.wire import new_id
from service.custody import store
from service.custody.rules import must_look
from service.custody.store import retention
from service.database import Database, Row, server_now
from service.writable import Writable

SHOWN = 200


async def read_custody(
    db: Database, caller: Caller, window_days: int, writable: Writable | None = None
) -> CustodyStanding:
    """Counts over every original, and those not sound that were seen at the caller's sites; with `writable`
    whether database and store take writes."""
    must_look(caller)
    async with db.begin() as connection:
        counts = await store.figures(connection, window_days)
        runs = await store.last_runs(connection)
        rows, here = await store.not_sound(connection, caller.sites, SHOWN)
        listed = await _not_sound(connection, caller, rows)
        policies = await retention.standing_policies(connection)
    counted = {name: counts[name] for name in CustodyStanding.__struct_fields__ if name in counts}
    bad = sum(counts[name] for name in store.NOT_SOUND)
    return CustodyStanding(
        **counted,
        window_days=window_days,
        database_writable=await writable.database() if writable else None,
        store_writable=await writable.store() if writable else None,
        object_lock=_object_lock(runs),
        not_sound=listed,
        not_sound_more=here - len(listed),
        not_sound_elsewhere=bad - here,
        runs=[_run(row) for row in runs.values()],
        retention=[_retention_of(row["site"], row) for row in policies if caller.at(row["site"])],
    )


def _object_lock(runs: Mapping[str, Row]) -> bool | None:
    return bool(runs["retention"]["found"]["object_lock"]) if "retention" in runs else None


def _run(row: Row) -> CustodyRun:
    return CustodyRun(
        kind=row["kind"], started_at=row["started_at"], ended_at=row["ended_at"], found=row["found"]
    )


async def _not_sound(
    connection: AsyncConnection, caller: Caller, rows: Sequence[Row]
) -> list[NotSoundOriginal]:
    digests = [row["digest"] for row in rows]
    seen: dict[str, list[OriginalSeen]] = {digest: [] for digest in digests}
    units: dict[str, list[str]] = {digest: [] for digest in digests}
    for row in await store.seen_where(connection, digests):
        if caller.at(row["site"]):
            seen[row["digest"]].append(OriginalSeen(row["site"], row["card_return_id"], row["path"]))
    for row in await store.shown_at_units(connection, digests):
        if caller.at(row["site"]):
            units[row["digest"]].append(row["serial"])
    names = ("digest", "size", "outcome", "told", "kept_version", "read_at")
    return [
        NotSoundOriginal(
            **{name: row[name] for name in names}, units=units[row["digest"]], seen=seen[row["digest"]]
        )
        for row in rows
    ]


async def read_retention(db: Database, caller: Caller, site: str) -> Retention:
    """The retention policy that stands at a site."""
    caller.must(Act.READ, site)
    async with db.begin() as connection:
        return await standing_retention(connection, site)


async def put_retention(
    db: Database, caller: Caller, site: str, wanted: RetentionIn, check: Callable[[Retention], None]
) -> Retention:
    """Record another policy; `check` is given the standing one and raises when the change is not meant for
    it. The same policy again changes nothing and needs no check."""
    caller.must(Act.RUN_SITE, site)
    async with db.begin() as connection:
        return await record_retention(connection, site, wanted, by=caller, check=check)


async def record_retention(
    connection: AsyncConnection,
    site: str,
    wanted: RetentionIn,
    *,
    by: Caller | None,
    check: Callable[[Retention], None] = lambda _: None,
) -> Retention:
    """The change itself; also for the command line, which needs no caller."""
    site_id = (await known_site(connection, site, lock=True))["id"]
    now = await standing_retention(connection, site)
    if (now.days, now.mode) == (wanted.days, wanted.mode):
        return now
    check(now)
    told: dict[str, Any] = {"number": now.number + 1, "days": wanted.days, "mode": wanted.mode}
    account_id, by_name = (by.account_id, by.name) if by is not None else (None, None)
    row = {"id": new_id(), "site_id": site_id, "account_id": account_id, "by_name": by_name}
    await retention.insert_policy(connection, {**row, **told, "recorded_at": server_now()})
    await note(connection, "retention_changed", site_id=site_id, by_account_id=account_id, detail=told)
    return await standing_retention(connection, site)


async def standing_retention(connection: AsyncConnection, site: str) -> Retention:
    """The policy that stands at a site; raises NotFound."""
    await known_site(connection, site)
    return _retention_of(site, await retention.standing_policy(connection, site))


def _retention_of(site: str, row: Row | None) -> Retention:
    if row is None:
        return Retention(site=site, days=0, mode="governance", number=0, by=None, recorded_at=None)
    names = ("days", "mode", "number", "recorded_at")
    return Retention(site=site, by=row.get("by"), **{name: row[name] for name in names})


async def add_run(
    connection: AsyncConnection,
    kind: str,
    started_at: datetime,
    ended_at: datetime,
    found: Mapping[str, int],
    run_id: UUID | None = None,
) -> None:
    """Append what a pass over the store found; times are the store's."""
    row = {"id": run_id or new_id(), "kind": kind, "started_at": started_at, "ended_at": ended_at}
    await store.add_run(connection, {**row, "found": dict(found)})

"""How the originals are kept, as a person asks for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Caller
from service.contract.custody import (
    CustodyOverview,
    CustodyRun,
    NotSoundOriginal,
    OriginalSeen,
)
from service.custody.actions.retention import retention_of
from service.custody.rules import must_look
from service.custody.store import retention
from service.custody.store.figures import NOT_SOUND, figures, last_runs, not_sound, seen_where, shown_at_units
from service.database import Database, Row
from service.walls import read_across_sites
from service.writable import Writable

SHOWN = 200


async def read_custody(
    db: Database, caller: Caller, window_days: int, writable: Writable | None = None
) -> CustodyOverview:
    """Counts over every original, and those not sound that were seen at the caller's sites; with `writable`
    whether database and store take writes."""
    must_look(caller)
    async with db.begin() as connection:
        # Originals are counted at all sites, and those named that were seen at the caller's.
        await read_across_sites(connection)
        counts = await figures(connection, window_days)
        runs = await last_runs(connection)
        rows, here = await not_sound(connection, caller.sites, SHOWN)
        listed = await _not_sound(connection, caller, rows)
        policies = await retention.standing_policies(connection)
    counted = {name: counts[name] for name in CustodyOverview.__struct_fields__ if name in counts}
    bad = sum(counts[name] for name in NOT_SOUND)
    return CustodyOverview(
        **counted,
        window_days=window_days,
        database_writable=await writable.database() if writable else None,
        store_writable=await writable.store() if writable else None,
        object_lock=_object_lock(runs),
        not_sound=listed,
        not_sound_more=here - len(listed),
        not_sound_elsewhere=bad - here,
        runs=[_run(row) for row in runs.values()],
        retention=[retention_of(row["site"], row) for row in policies if caller.at(row["site"])],
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
    for row in await seen_where(connection, digests):
        if caller.at(row["site"]):
            seen[row["digest"]].append(OriginalSeen(row["site"], row["card_return_id"], row["path"]))
    for row in await shown_at_units(connection, digests):
        if caller.at(row["site"]):
            units[row["digest"]].append(row["serial"])
    names = ("digest", "size", "outcome", "told", "kept_version", "read_at")
    return [
        NotSoundOriginal(
            **{name: row[name] for name in names}, units=units[row["digest"]], seen=seen[row["digest"]]
        )
        for row in rows
    ]

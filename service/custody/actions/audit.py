"""The audit of the store: originals are read back in a stream and compared with their digest.

The audit only ever reads. What it finds is appended as a fact, and shown on a page, as metrics and in the
log.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from typing import Any

import structlog

from service.contract.wire import new_id
from service.custody.actions.reading import record_readings
from service.custody.actions.runs import add_run
from service.custody.rules import counted, share
from service.custody.store.readings import images_after, images_count, longest_unread, sizes_of
from service.database import Database
from service.intake.actions.thumbnails import order_lacking
from service.objects.holding import Holding, ReadBack

AT_ONCE = 4
PER_BATCH = 32

_log = structlog.get_logger(__name__)

Original = tuple[str, int]
Progress = Callable[[int, int], None]


async def audit_share(
    db: Database, holding: Holding, window_days: int, progress: Progress | None = None
) -> dict[str, int]:
    """Read back as many as one run of the schedule must, so that all are read within the window: first
    those not found sound, then those never read, then those read longest ago."""
    async with db.begin() as connection:
        limit = share(await images_count(connection), window_days)
        chosen = await longest_unread(connection, limit)
    return await _audit(db, holding, _batches(chosen), len(chosen), progress)


async def audit_all(db: Database, holding: Holding, progress: Progress | None = None) -> dict[str, int]:
    """Read back every original, by digest."""
    async with db.begin() as connection:
        number = await images_count(connection)
    return await _audit(db, holding, _everything(db), number, progress)


async def audit_digests(db: Database, holding: Holding, digests: Sequence[str]) -> dict[str, int]:
    """Read back those of the digests that are held here."""
    async with db.begin() as connection:
        chosen = await sizes_of(connection, digests)
    return await _audit(db, holding, _batches(chosen), len(chosen), None)


async def _batches(chosen: Sequence[Original]) -> AsyncIterator[Sequence[Original]]:
    for start in range(0, len(chosen), PER_BATCH):
        yield chosen[start : start + PER_BATCH]


async def _everything(db: Database) -> AsyncIterator[Sequence[Original]]:
    after = ""
    while True:
        async with db.begin() as connection:
            batch = await images_after(connection, after, PER_BATCH)
        if not batch:
            return
        yield batch
        after = batch[-1][0]


async def _audit(
    db: Database,
    holding: Holding,
    batches: AsyncIterator[Sequence[Original]],
    number: int,
    progress: Progress | None,
) -> dict[str, int]:
    """Readings are recorded batch by batch: a run that is cut off has not read in vain."""
    run_id, started_at = new_id(), await holding.clock()
    outcomes: list[str] = []
    async for batch in batches:
        found = await _read(holding, batch)
        async with db.begin() as connection:
            await record_readings(connection, [_row(run_id, digest, read) for digest, read in found])
            await order_lacking(connection, [digest for digest, read in found if read.outcome == "sound"])
        for digest, reading in found:
            if reading.outcome != "sound":
                _log.error(
                    "an original is not sound", digest=digest, outcome=reading.outcome, told=reading.told
                )
        outcomes += [reading.outcome for _, reading in found]
        if progress is not None:
            progress(len(outcomes), max(number, len(outcomes)))
    counts = counted(outcomes)
    async with db.begin() as connection:
        await add_run(connection, "audit", started_at, await holding.clock(), counts, run_id)
    return counts


async def _read(holding: Holding, batch: Sequence[Original]) -> list[tuple[str, ReadBack]]:
    gate = asyncio.Semaphore(AT_ONCE)

    async def read(digest: str, size: int) -> tuple[str, ReadBack]:
        async with gate:
            return digest, await holding.read_back(digest, size)

    return await asyncio.gather(*(read(*original) for original in batch))


def _row(run_id: Any, digest: str, reading: ReadBack) -> dict[str, Any]:
    return {
        "digest": digest,
        "run_id": run_id,
        "outcome": reading.outcome,
        "told": reading.told,
        "kept_version": reading.kept_version,
        "read_at": reading.at,
    }

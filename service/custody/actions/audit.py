"""The audit of the store: originals are read back in a stream and compared with their digest.

The audit only ever reads. What it finds is appended as a fact, and shown on a page, as metrics and in the
log. Where an original is not sound and another site has brought the same bytes, these are read as well; when
they are sound, they are the image's original from then on.
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
from service.custody.store.readings import (
    Kept,
    images_after,
    images_count,
    kept_among,
    kept_elsewhere,
    longest_unread,
)
from service.database import Database
from service.intake.actions.thumbnails import order_lacking
from service.objects import Original
from service.objects.holding import Holding, ReadBack

AT_ONCE = 4
PER_BATCH = 32

_log = structlog.get_logger(__name__)

Progress = Callable[[int, int], None]
Found = tuple[Original, ReadBack]


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
        chosen = await kept_among(connection, digests)
    return await _audit(db, holding, _batches(chosen), len(chosen), None)


async def _batches(chosen: Sequence[Kept]) -> AsyncIterator[Sequence[Kept]]:
    for start in range(0, len(chosen), PER_BATCH):
        yield chosen[start : start + PER_BATCH]


async def _everything(db: Database) -> AsyncIterator[Sequence[Kept]]:
    after = ""
    while True:
        async with db.begin() as connection:
            batch = await images_after(connection, after, PER_BATCH)
        if not batch:
            return
        yield batch
        after = batch[-1][0].digest


async def _audit(
    db: Database,
    holding: Holding,
    batches: AsyncIterator[Sequence[Kept]],
    number: int,
    progress: Progress | None,
) -> dict[str, int]:
    """Readings are recorded batch by batch: a run that is cut off has not read in vain."""
    run_id, started_at = new_id(), await holding.clock()
    outcomes: list[str] = []
    async for batch in batches:
        found = await _read(holding, batch)
        elsewhere = await _sound_elsewhere(db, holding, batch, found)
        async with db.begin() as connection:
            for readings in filter(None, (found, elsewhere)):
                await record_readings(connection, [_row(run_id, *reading) for reading in readings])
            sound = [original.digest for original, read in found + elsewhere if read.outcome == "sound"]
            await order_lacking(connection, sound)
        _tell(found, elsewhere)
        outcomes += {original.digest: read.outcome for original, read in found + elsewhere}.values()
        if progress is not None:
            progress(len(outcomes), max(number, len(outcomes)))
    counts = counted(outcomes)
    async with db.begin() as connection:
        await add_run(connection, "audit", started_at, await holding.clock(), counts, run_id)
    return counts


async def _read(holding: Holding, batch: Sequence[Kept]) -> list[Found]:
    gate = asyncio.Semaphore(AT_ONCE)

    async def read(original: Original, size: int) -> Found:
        async with gate:
            return original, await holding.read_back(original, size)

    return await asyncio.gather(*(read(*kept) for kept in batch))


async def _sound_elsewhere(
    db: Database, holding: Holding, batch: Sequence[Kept], found: Sequence[Found]
) -> list[Found]:
    """Of those not found sound the same bytes as another site brought them, where these are; one reading of a
    digest."""
    lost = {original for original, reading in found if reading.outcome != "sound"}
    if not lost:
        return []
    async with db.begin() as connection:
        others = await kept_elsewhere(connection, [kept for kept in batch if kept[0] in lost])
    sound = [pair for pair in await _read(holding, others) if pair[1].outcome == "sound"]
    return list({original.digest: (original, reading) for original, reading in sound}.values())


def _tell(found: Sequence[Found], elsewhere: Sequence[Found]) -> None:
    for original, reading in found:
        if reading.outcome != "sound":
            _log.error(
                "an original is not sound", key=original.key, outcome=reading.outcome, told=reading.told
            )
    for original, _ in elsewhere:
        _log.warning("the bytes of another site take its place", key=original.key)


def _row(run_id: Any, original: Original, reading: ReadBack) -> dict[str, Any]:
    return {
        "digest": original.digest,
        "site": original.site,
        "run_id": run_id,
        "outcome": reading.outcome,
        "told": reading.told,
        "kept_version": reading.kept_version,
        "read_at": reading.at,
    }

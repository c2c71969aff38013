"""Readings of originals: recorded as facts, and what is kept of the one that stands."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from sqlalchemy.ext.asyncio import AsyncConnection

from service.contract.wire import new_id
from service.custody.store.readings import (
    READING,
    keep_readings,
    kept_readings,
    lock_custody,
    standing_readings,
)
from service.custody.store.tables import image_readings
from service.database import Row, keys_after
from service.facts.projections import State, settle
from service.facts.store import append
from service.images.store import images

KEYS_AT_ONCE = 500


class Custody:
    """Of each original, by digest, the reading that stands, under which site's name it lies by that, and
    whether it is asked for again."""

    name = "custody"

    async def keys(self, connection: AsyncConnection, after: str | None) -> Sequence[str]:
        return await keys_after(connection, images.c.digest, after, KEYS_AT_ONCE)

    async def lock(self, connection: AsyncConnection, keys: Collection[str]) -> None:
        await lock_custody(connection, keys)

    async def kept(self, connection: AsyncConnection, keys: Collection[str]) -> dict[str, State]:
        kept = await kept_readings(connection, keys)
        names = (*READING, "site", "unsound_at")
        return {digest: {name: row[name] for name in names} for digest, row in kept.items()}

    async def fold(self, connection: AsyncConnection, keys: Collection[str]) -> dict[str, State]:
        readings = await standing_readings(connection, keys)
        return {digest: _state(readings.get(digest)) for digest in keys}

    async def write(self, connection: AsyncConnection, states: Mapping[str, State]) -> None:
        await keep_readings(connection, states)

    def named(self, key: str) -> str:
        return f"original {key}"


def _state(reading: Row | None) -> State:
    """An original that is not sound is asked for again from the time of the reading on."""
    if reading is None:
        return dict.fromkeys((*READING, "site", "unsound_at"))
    unsound_at = reading["read_at"] if reading["outcome"] != "sound" else None
    return {name: reading[name] for name in (*READING, "site")} | {"unsound_at": unsound_at}


CUSTODY = Custody()


async def record_readings(connection: AsyncConnection, readings: Sequence[Mapping[str, Any]]) -> None:
    """Append readings (columns of image_readings), each in place of the one that stood of its original."""
    digests = [reading["digest"] for reading in readings]
    await CUSTODY.lock(connection, digests)
    before = await standing_readings(connection, digests)
    facts = [
        {
            "id": new_id(),
            **reading,
            "replaces": [before[reading["digest"]]["id"]] if reading["digest"] in before else [],
        }
        for reading in readings
    ]
    await append(connection, image_readings, facts, None)
    await settle(connection, CUSTODY, digests)

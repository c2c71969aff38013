"""What inspections show, kept beside the placements it follows from: the history of a unit."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.campaigns.store.inspections import ids_after, lock_inspections
from service.database import Row
from service.facts.projections import State
from service.intake.store.showing import show, shown_by_facts, shown_now

KEYS_AT_ONCE = 20


class History:
    """Which image stands at which place of each inspection. While facts are written only the images that they
    concern are shown anew (store.showing.show_anew), by the same SQL."""

    name = "history"

    async def keys(self, connection: AsyncConnection, after: UUID | None) -> Sequence[UUID]:
        return await ids_after(connection, after, KEYS_AT_ONCE)

    async def lock(self, connection: AsyncConnection, keys: Collection[UUID]) -> None:
        await lock_inspections(connection, keys)

    async def kept(self, connection: AsyncConnection, keys: Collection[UUID]) -> dict[UUID, State]:
        return _by_inspection(keys, await shown_now(connection, keys))

    async def fold(self, connection: AsyncConnection, keys: Collection[UUID]) -> dict[UUID, State]:
        return _by_inspection(keys, await shown_by_facts(connection, keys))

    async def write(self, connection: AsyncConnection, states: Mapping[UUID, State]) -> None:
        await show(connection, states.keys(), [row for state in states.values() for row in state.values()])

    def named(self, key: UUID) -> str:
        return f"inspection {key}"


def _by_inspection(keys: Collection[UUID], rows: Sequence[Row]) -> dict[UUID, State]:
    shown: dict[UUID, dict[tuple[str, str, int], Row]] = {key: {} for key in keys}
    for row in rows:
        place = (row["digest"], row["location_key"], row["element"])
        shown[row["inspection_id"]][place] = row
    return {key: {place: dict(row) for place, row in state.items()} for key, state in shown.items()}


HISTORY = History()

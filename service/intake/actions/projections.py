"""What inspections show, kept beside the placements it follows from: the history of a unit."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.campaigns.actions.projections import OfInspections
from service.database import Row
from service.facts.projections import State
from service.intake.store.showing import show, shown_by_facts, shown_now


class History(OfInspections):
    """Which image stands at which place of each inspection. While facts are written only the images that they
    concern are shown anew (store.showing.show_anew), by the same SQL."""

    name = "history"
    # An inspection may show thousands of pictures.
    keys_at_once = 20

    async def kept(self, connection: AsyncConnection, keys: Collection[UUID]) -> dict[UUID, State]:
        return _by_inspection(keys, await shown_now(connection, keys))

    async def fold(self, connection: AsyncConnection, keys: Collection[UUID]) -> dict[UUID, State]:
        return _by_inspection(keys, await shown_by_facts(connection, keys))

    async def write(self, connection: AsyncConnection, states: Mapping[UUID, State]) -> None:
        await show(connection, states.keys(), [row for state in states.values() for row in state.values()])


def _by_inspection(keys: Collection[UUID], rows: Sequence[Row]) -> dict[UUID, State]:
    shown: dict[UUID, dict[Any, Any]] = {key: {} for key in keys}
    for row in rows:
        place = (row["digest"], row["location_key"], row["element"])
        shown[row["inspection_id"]][place] = dict(row)
    return dict(shown)


HISTORY = History()

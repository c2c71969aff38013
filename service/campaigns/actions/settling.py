"""Changing inspections: lock, let facts be written, fold again, and move the roll-up by the difference."""

from __future__ import annotations

from collections.abc import AsyncIterator, Collection, Sequence
from contextlib import asynccontextmanager
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.campaigns import rules
from service.campaigns.rules import BoundLocation, Counts, Fold, OpenPictures, Statement
from service.campaigns.store import rollup
from service.campaigns.store.inspections import lock_inspections, touch_inspection
from service.campaigns.store.locations import locations_of, set_folds
from service.campaigns.store.rollup import RollupKey
from service.campaigns.store.statements import statements_of
from service.contract.work import LocationState
from service.database import Row


def bound_location(row: Row) -> BoundLocation:
    return BoundLocation(
        key=row["location_key"],
        bound=row["bound"],
        applicable=row["applicable"],
        mandatory=row["mandatory"],
        pictures_required=row["pictures_required"],
        pictures_held=row["pictures_held"],
    )


def spoken(row: Row) -> Statement:
    return Statement(
        row["id"], row["kind"], frozenset(row["locations"]), frozenset(row["replaces"]), row["reason"]
    )


@asynccontextmanager
async def changing(
    connection: AsyncConnection, inspection_ids: Collection[UUID]
) -> AsyncIterator[dict[UUID, Row]]:
    """Yields the inspections, locked; facts about them are written inside the block.

    On leaving, each is folded from all its statements, its open pictures are counted from what is shown,
    and the roll-up moves by what changed, in the caller's transaction. Ids that do not exist are absent
    from what is yielded.
    """
    locked = await lock_inspections(connection, inspection_ids)
    before = await rollup.counts_of(connection, locked.keys())
    yield locked
    await _settle(connection, locked, before)


async def _settle(connection: AsyncConnection, locked: dict[UUID, Row], before: dict[UUID, Counts]) -> None:
    spoken_of = await statements_of(connection, locked.keys())
    rows_of = await locations_of(connection, locked.keys())
    open_of = await rollup.open_pictures_of(connection, locked.keys())
    changes: dict[RollupKey, list[Counts]] = {}
    for inspection_id, row in locked.items():
        now = await _fold_one(
            connection,
            inspection_id,
            spoken_of[inspection_id],
            rows_of[inspection_id],
            open_of[inspection_id],
        )
        key = (row["campaign_id"], row["site_id"], row["type_id"])
        changes.setdefault(key, []).append(rules.delta(before[inspection_id], now))
    await rollup.add_to_completion(
        connection, {key: rules.rollup(differences) for key, differences in changes.items()}
    )


async def _fold_one(
    connection: AsyncConnection,
    inspection_id: UUID,
    said: Sequence[Row],
    rows: Sequence[Row],
    pictures: OpenPictures,
) -> Counts:
    """Fold one inspection, write what changed, and give its counts."""
    locations = [bound_location(row) for row in rows]
    folds = rules.fold((spoken(row) for row in said), (location.key for location in locations))
    states: dict[str, LocationState] = {
        location.key: rules.shown_state(location, folds[location.key]) for location in locations
    }
    changed = {
        key: Fold(states[key], folds[key].heads)
        for row in rows
        if (row["state"], tuple(row["heads"])) != (states[key := row["location_key"]], folds[key].heads)
    }
    await set_folds(connection, inspection_id, changed)
    counts, complete = rules.inspection_standing(locations, states, pictures)
    await touch_inspection(connection, inspection_id, complete=complete, pictures=pictures)
    return counts

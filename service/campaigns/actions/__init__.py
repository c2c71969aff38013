"""Use cases on inspections: what other contexts tell and ask of them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, fields
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.campaigns import store
from service.campaigns.actions.settling import changing
from service.campaigns.actions.stating import TurnedDown, make_statement, may_state, record_statements
from service.campaigns.store import facts, rollup

__all__ = [
    "InspectionContext",
    "TurnedDown",
    "add_pictures",
    "inspection_context",
    "make_statement",
    "may_state",
    "record_statements",
]


@dataclass(frozen=True, slots=True)
class InspectionContext:
    """What a card return has to know of an inspection; `locations` has the keys it has or ever had."""

    id: UUID
    campaign_id: UUID
    unit_id: UUID
    unit: str
    site_id: UUID
    site: str
    type_id: UUID
    build: str
    plan_id: UUID
    revision_id: UUID
    revision: str
    version: int
    locations: frozenset[str]


async def inspection_context(
    connection: AsyncConnection, inspection_ids: Collection[UUID]
) -> dict[UUID, InspectionContext]:
    """The inspections by id, locked until the transaction ends; ids that do not exist are absent.

    Call it first, once, with every inspection the transaction will touch, statements included: the
    order of locks rests on it.
    """
    locked = await store.lock_inspections(connection, inspection_ids)
    await rollup.lock_rows(
        connection, {(row["campaign_id"], row["site_id"], row["type_id"]) for row in locked.values()}
    )
    rows_of = await facts.locations_of(connection, locked.keys())
    names = [field.name for field in fields(InspectionContext) if field.name != "locations"]
    return {
        key: InspectionContext(
            **{name: row[name] for name in names},
            locations=frozenset(location["location_key"] for location in rows_of[key]),
        )
        for key, row in locked.items()
    }


async def add_pictures(connection: AsyncConnection, inspection_id: UUID, by_location: dict[str, int]) -> None:
    """Count pictures in at the locations of an inspection (or out, with negative numbers). What is claimed
    for a location that the inspection does not have stands at none, and counts once it is brought there.

    To be called after any change of what is shown at the inspection, also without a number: what is open
    there (rules.OpenPictures) is counted anew.
    """
    async with changing(connection, [inspection_id]) as locked:
        if inspection_id in locked:
            await facts.add_held(connection, inspection_id, by_location)

"""What other contexts ask of inspections and tell them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import fields
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.campaigns.actions.settling import changing
from service.campaigns.rules import Home
from service.campaigns.store import rollup
from service.campaigns.store.inspections import lock_inspections
from service.campaigns.store.locations import add_held, locations_of


async def lock_homes(connection: AsyncConnection, inspection_ids: Collection[UUID]) -> dict[UUID, Home]:
    """The inspections by id, locked until the transaction ends; ids that do not exist are absent.

    Call it first, once, with every inspection the transaction will touch, statements included: the
    order of locks rests on it.
    """
    locked = await lock_inspections(connection, inspection_ids)
    await rollup.lock_rows(
        connection, {(row["campaign_id"], row["site_id"], row["type_id"]) for row in locked.values()}
    )
    rows_of = await locations_of(connection, locked.keys())
    names = [field.name for field in fields(Home) if field.name != "locations"]
    return {
        key: Home(
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
            await add_held(connection, inspection_id, by_location)

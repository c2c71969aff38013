"""The history of a serial number."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime
from uuid import UUID

from service.access.rules import Act, Caller
from service.campaigns.store.places import PLACES_NAMED, places_of
from service.contract.records import (
    CountedPlace,
    HistoryItem,
)
from service.database import Database, Row
from service.images.actions import MADE
from service.intake.rules.clocks import clocks
from service.records.actions.units import visible_unit
from service.records.store import history
from service.walls import read_across_sites


async def unit_history(
    db: Database,
    caller: Caller,
    serial: str,
    wanted: history.Wanted,
    after: tuple[datetime, UUID] | None,
    limit: int,
) -> list[HistoryItem]:
    """Images of a unit, the newest first. Who has the unit at his site sees all of it; who had it there
    once sees what was inspected there."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        unit = await visible_unit(connection, caller, serial)
        # Pictures of the unit came in wherever it stood, and may count at units of other sites.
        await read_across_sites(connection)
        if not caller.at(unit["site"]):
            wanted = history.limited(wanted, caller.sites)
        rows = await history.history_page(connection, unit["id"], wanted, after, limit)
        shared = {row["digest"] for row in rows if row["elsewhere"]}
        places = await places_of(connection, shared, caller.sites)
    return [_history_item(row, places.get(row["digest"], ())) for row in rows]


def _history_item(row: Row, places: Sequence[Row]) -> HistoryItem:
    """`places` are those where the image counts, if at least one of them is not this row's."""
    made_here = {"location", "element", "clocks", "thumbnail", "moved", "also_at", "also_more"}
    same = {name: row[name] for name in HistoryItem.__struct_fields__ if name not in made_here}
    here = (row["inspection_id"], row["location_key"])
    others = [
        place
        for place in places
        if (place["inspection_id"], place["location_key"]) != here
        and (place["location_key"] or place["unit_id"] != row["unit_id"])
    ]
    also_at, also_more = named_places(others)
    return HistoryItem(
        **same,
        location=row["location_key"] or None,
        element=row["element"] or None,
        clocks=clocks(row),
        thumbnail=row["thumbnail"] == MADE,
        moved=row["move_id"] is not None,
        also_at=also_at,
        also_more=also_more,
    )


async def places_counting(
    db: Database, caller: Caller, digests: Collection[str]
) -> dict[str, tuple[list[CountedPlace], bool]]:
    """By image the first locations where it counts, and whether there are more."""
    async with db.begin() as connection:
        await read_across_sites(connection)
        places = await places_of(connection, set(digests), caller.sites)
    return {
        digest: named_places([row for row in rows if row["location_key"]]) for digest, rows in places.items()
    }


def named_places(places: Sequence[Row]) -> tuple[list[CountedPlace], bool]:
    """The first places, and whether there are more."""
    named = [
        CountedPlace(unit=row["serial"], campaign=row["campaign"], location=row["location_key"] or None)
        if row["visible"]
        else CountedPlace(unit=None, campaign=None, location=None)
        for row in places[:PLACES_NAMED]
    ]
    return named, len(places) > PLACES_NAMED

"""Showing pictures where the facts put them, and counting them there."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.campaigns.actions.homes import add_pictures
from service.intake.store.showing import PlaceKey, show_anew


async def show(
    connection: AsyncConnection, inspection_ids: Collection[UUID], digests: Collection[str]
) -> None:
    """After facts were written: show these images anew at these inspections, which are locked, and count."""
    await count_pictures(connection, await show_anew(connection, inspection_ids, digests))


async def count_pictures(connection: AsyncConnection, changes: Mapping[PlaceKey, int]) -> None:
    """Tell campaigns how many more (or fewer) pictures each location of an inspection holds."""
    by_inspection: dict[UUID, dict[str, int]] = {}
    for (inspection_id, location_key), number in changes.items():
        by_inspection.setdefault(inspection_id, {})[location_key] = number
    for inspection_id in sorted(by_inspection):
        await add_pictures(connection, inspection_id, by_inspection[inspection_id])

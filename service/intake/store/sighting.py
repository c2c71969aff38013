"""SQL of sightings: what the files of an image say of it, and which placements wait for a location."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection
from sqlalchemy.sql.selectable import LateralFromClause

from service.database import Row, texts_of
from service.facts.store import standing
from service.images.store import images
from service.intake.rules.manifests import UNREADABLE
from service.intake.store.tables import placements, sightings


def clock_of_camera() -> sa.ColumnElement[Any]:
    """Exif as the bytes give it once the service has looked at them, else as the agent read it."""
    return sa.func.coalesce(images.c.exif, sightings.c.exif).label("exif")


async def first_wanted(connection: AsyncConnection, return_id: UUID, digests: Iterable[str]) -> set[str]:
    """Those of the digests of which no other card return's file wants a thumbnail (rules.wants_thumbnail), so
    that none is ordered yet."""
    others = _wanted().where(sightings.c.card_return_id != return_id)
    query = sa.select(images.c.digest).where(images.c.digest == sa.any_(texts_of(digests)), ~others)
    return set(await connection.scalars(query))


async def thumbnails_lacking(connection: AsyncConnection, digests: Iterable[str]) -> set[str]:
    """Those of the digests that want a thumbnail and for which none was made or found impossible."""
    query = sa.select(images.c.digest).where(
        images.c.digest == sa.any_(texts_of(digests)), images.c.thumbnail.is_(None), _wanted()
    )
    return set(await connection.scalars(query))


def _wanted() -> sa.Exists:
    """SQL: whether a file with the image's bytes wants a thumbnail, as rules.wants_thumbnail decides it."""
    seen = sightings.c
    wanting = seen.format.is_not(None) | ((seen.kind == "still") & ~seen.marks.overlap(sorted(UNREADABLE)))
    return sa.exists().where(seen.digest == images.c.digest, wanting)


def placement_shown() -> LateralFromClause:
    """The placement that stands for the sighting of the query around it; of several, the first recorded."""
    return (
        sa.select(placements)
        .where(placements.c.sighting_id == sightings.c.id, standing(placements))
        .order_by(placements.c.id)
        .limit(1)
        .lateral("place")
    )


async def claims_waiting(
    connection: AsyncConnection, inspection_id: UUID, locations: Collection[str]
) -> Sequence[Row]:
    """Placements that stand at an inspection and at no location, though they claimed one of these."""
    at = placements.c
    query = (
        sa.select(placements, sightings.c.digest)
        .join(sightings, sightings.c.id == at.sighting_id)
        .where(at.inspection_id == inspection_id, at.location_key.is_(None))
        .where(at.claimed_key.in_(locations), standing(placements))
        .order_by(at.id)
    )
    return (await connection.execute(query)).mappings().all()

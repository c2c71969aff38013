"""SQL of the places where one image stands: the same bytes may answer for more than one."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.campaigns.store.tables import unit_images
from service.database import Row, uuids_of

# A page names at most this many places; the query reads one more, to know that there are more.
PLACES_NAMED = 5


def elsewhere(row: str) -> str:
    """SQL: whether the image of a row of unit_images counts at another place too. Another element of the same
    location is no other place; nor is the same unit without a location."""
    return f"""EXISTS (
        SELECT FROM unit_images other
        WHERE other.digest = {row}.digest AND other.counted
          AND (other.inspection_id, other.location_key) <> ({row}.inspection_id, {row}.location_key)
          AND (other.location_key <> '' OR other.unit_id <> {row}.unit_id))"""


# Tables of campaigns are named in text: that context lies above this one.
_PLACES = """
SELECT asked.digest, place.* FROM unnest(CAST(:digests AS text[])) AS asked (digest)
CROSS JOIN LATERAL (
    SELECT DISTINCT unit.serial, campaign.name AS campaign, shown.location_key, shown.inspection_id,
           shown.unit_id,
           CAST(:sites AS text[]) IS NULL OR held_at.code = ANY(:sites) OR stands_at.code = ANY(:sites)
           AS visible
    FROM unit_images shown
    JOIN inspections inspection ON inspection.id = shown.inspection_id
    JOIN campaigns campaign ON campaign.id = inspection.campaign_id
    JOIN units unit ON unit.id = shown.unit_id
    JOIN sites held_at ON held_at.id = inspection.site_id
    JOIN sites stands_at ON stands_at.id = unit.site_id
    WHERE shown.digest = asked.digest AND shown.counted
    ORDER BY unit.serial, campaign.name, shown.location_key, shown.inspection_id
    LIMIT :limit
) place
"""


async def places_of(
    connection: AsyncConnection, digests: Collection[str], site_codes: Collection[str] | None
) -> dict[str, list[Row]]:
    """By image the first places where it counts, by serial number. Of a place with `visible` false, which is
    at another site than these, the caller may learn nothing but that it exists."""
    codes = None if site_codes is None else sorted(site_codes)
    asked = {"digests": sorted(digests), "sites": codes, "limit": PLACES_NAMED + 2}
    found: dict[str, list[Row]] = {digest: [] for digest in digests}
    for row in (await connection.execute(sa.text(_PLACES), asked)).mappings() if digests else ():
        found[row["digest"]].append(row)
    return found


_PER_LOCATION = f"""
WITH image AS (
    SELECT inspection_id, location_key, digest, bool_or(counted) AS counted,
           bool_or(counted AND {elsewhere("shown")}) AS elsewhere
    FROM unit_images shown WHERE inspection_id = :inspection_id
    GROUP BY inspection_id, location_key, digest
)
SELECT location_key, count(*) FILTER (WHERE NOT counted) AS uncounted,
       count(*) FILTER (WHERE elsewhere) AS elsewhere
FROM image GROUP BY location_key
"""  # noqa: S608


async def pictures_by_location(connection: AsyncConnection, inspection_id: UUID) -> dict[str, Row]:
    """By location of an inspection ("": none known) how many images stand there and do not count, and how
    many count there and at another place too."""
    found = await connection.execute(sa.text(_PER_LOCATION), {"inspection_id": inspection_id})
    return {row["location_key"]: row for row in found.mappings()}


_UNCOUNTED = """
SELECT inspection_id, count(DISTINCT digest)::integer AS number FROM unit_images
WHERE inspection_id = ANY(:inspections) AND (location_key = '' OR NOT counted)
GROUP BY inspection_id
"""


async def uncounted_of(connection: AsyncConnection, inspection_ids: Sequence[UUID]) -> dict[UUID, int]:
    """By inspection how many images stand there and count at no location: not known, or they are marked."""
    found = await connection.execute(sa.text(_UNCOUNTED), {"inspections": list(inspection_ids)})
    return {row.inspection_id: row.number for row in found}


async def unit_images_by_id(connection: AsyncConnection, ids: Iterable[UUID]) -> Sequence[Row]:
    found = await connection.execute(
        sa.select(unit_images).where(unit_images.c.id == sa.any_(uuids_of(ids))).order_by(unit_images.c.id)
    )
    return found.mappings().all()

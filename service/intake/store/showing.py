"""SQL of what units show: unit_images made from the placement facts that stand, and held against them."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.campaigns.store.tables import unit_images
from service.intake.rules.placing import NO_PICTURE, PICTURES

# rules.shown said again in SQL, so that the two can be held against each other. The id is made of the key:
# what stands at a place again is the same row again.
_SHOWN = """
WITH standing AS MATERIALIZED (
    SELECT fact.id AS placement_id, fact.inspection_id, coalesce(fact.location_key, '') AS location_key,
           coalesce(fact.element, 0) AS element, fact.element_last, fact.evaluation, fact.condition,
           fact.note, seen.id AS sighting_id, seen.digest, seen.card_return_id, seen.ordinal, seen.taken_at,
           seen.taken_basis, seen.format IS NOT NULL AS told,
           NOT seen.marks && CAST(:no_picture AS text[]) AS counted
    FROM sightings seen JOIN placements fact ON fact.sighting_id = seen.id
    WHERE seen.kind = ANY(:pictures){among}
      AND NOT EXISTS (SELECT FROM placements later
                      WHERE later.sighting_id = fact.sighting_id AND fact.id = ANY(later.replaces))
), first AS (
    SELECT DISTINCT ON (inspection_id, digest, location_key, element) * FROM standing
    ORDER BY inspection_id, digest, location_key, element,
             counted DESC, told DESC, card_return_id, ordinal, placement_id
), number AS (
    SELECT inspection_id, digest, location_key, element, count(DISTINCT sighting_id)::integer AS sightings
    FROM standing GROUP BY inspection_id, digest, location_key, element
)
SELECT CAST(substr(encode(sha256(convert_to(concat_ws(' ', inspection_id, digest, element, location_key),
                                            'UTF8')), 'hex'), 1, 32) AS uuid) AS id,
       inspection.unit_id, inspection_id, digest, location_key, element, element_last, evaluation, condition,
       note, sighting_id AS first_sighting_id, placement_id, sightings, counted, taken_at, taken_basis
FROM first JOIN number USING (inspection_id, digest, location_key, element)
JOIN inspections inspection ON inspection.id = inspection_id
"""
_COLUMNS = ", ".join(column.name for column in unit_images.columns)
_AMONG = " AND seen.digest = ANY(:digests) AND fact.inspection_id = ANY(:inspections)"
_PER_LOCATION = """
SELECT inspection_id, location_key, count(DISTINCT digest)::integer AS number FROM {rows}
WHERE counted AND location_key <> '' GROUP BY inspection_id, location_key
"""
_TAKE_AWAY = f"""
WITH gone AS (
    DELETE FROM unit_images WHERE digest = ANY(:digests) AND inspection_id = ANY(:inspections)
    RETURNING inspection_id, location_key, digest, counted
) {_PER_LOCATION.format(rows="gone")}
"""  # noqa: S608 (names of our own tables)
_SHOW = f"""
WITH made AS (
    INSERT INTO unit_images ({_COLUMNS}) SELECT {_COLUMNS} FROM ({_SHOWN.format(among=_AMONG)}) AS shown
    RETURNING inspection_id, location_key, digest, counted
) {_PER_LOCATION.format(rows="made")}
"""  # noqa: S608
_EVERYTHING = f"SELECT {_COLUMNS} FROM ({_SHOWN.format(among='')}) AS shown"  # noqa: S608
_KEPT = f"SELECT {_COLUMNS} FROM unit_images"  # noqa: S608
_DRIFT = f"({_EVERYTHING} EXCEPT {_KEPT}) UNION ALL ({_KEPT} EXCEPT {_EVERYTHING})"

# inspection and location
PlaceKey = tuple[UUID, str]


def _values(**more: Any) -> dict[str, Any]:
    return {"pictures": sorted(PICTURES), "no_picture": sorted(NO_PICTURE), **more}


async def show_anew(
    connection: AsyncConnection, inspection_ids: Collection[UUID], digests: Collection[str]
) -> dict[PlaceKey, int]:
    """Make anew what these inspections, locked, show of these images; by how many pictures that count each
    location has more (or fewer) than before. Each inspection has an entry, be it at no location and of none:
    what is open there may have changed."""
    values = {"inspections": list(inspection_ids), "digests": list(digests)}
    gone = await connection.execute(sa.text(_TAKE_AWAY), values)
    changes = {(row.inspection_id, row.location_key): -row.number for row in gone}
    made = await connection.execute(sa.text(_SHOW), _values(**values))
    for row in made:
        place = (row.inspection_id, row.location_key)
        changes[place] = changes.get(place, 0) + row.number
    return dict.fromkeys(((inspection_id, "") for inspection_id in inspection_ids), 0) | {
        place: number for place, number in changes.items() if number
    }


async def shown_drift(connection: AsyncConnection) -> int:
    """How many rows of unit_images are not what the facts give, or lack; a walk over everything."""
    return int(await connection.scalar(sa.text(f"SELECT count(*) FROM ({_DRIFT}) AS apart"), _values()) or 0)  # noqa: S608

"""SQL of what units show: unit_images is made from the placements that stand, and compared with them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.campaigns.store.tables import unit_images
from service.contract.cards import NO_PICTURE, PICTURES
from service.database import Row, insert_rows
from service.facts.store import stands
from service.intake.store.tables import placements
from service.walls import read_across_sites

# This is rules.shown in SQL, so that the two can be compared. The id is made of the key, so an image that
# comes back to a place gets the same row id again.
_SHOWN = f"""
WITH standing AS MATERIALIZED (
    SELECT fact.id AS placement_id, fact.inspection_id, coalesce(fact.location_key, '') AS location_key,
           coalesce(fact.element, 0) AS element, fact.element_last, fact.evaluation, fact.condition,
           fact.note, seen.id AS sighting_id, seen.digest, seen.card_return_id, seen.ordinal, seen.taken_at,
           seen.taken_basis, seen.format IS NOT NULL AS told,
           NOT seen.marks && CAST(:no_picture AS text[]) AS counted
    FROM sightings seen JOIN placements fact ON fact.sighting_id = seen.id
    WHERE seen.kind = ANY(:pictures){{among}}
      AND {stands(placements, "fact")}
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
"""  # noqa: S608
_COLUMNS = ", ".join(column.name for column in unit_images.columns)
_AT = " AND fact.inspection_id = ANY(:inspections)"
_AMONG = " AND seen.digest = ANY(:digests) AND fact.inspection_id = ANY(:inspections)"
_TAKE_AWAY = "DELETE FROM unit_images WHERE digest = ANY(:digests) AND inspection_id = ANY(:inspections)"
_SHOW = f"INSERT INTO unit_images ({_COLUMNS}) {_SHOWN.format(among=_AMONG)}"
_FOLD = f"SELECT {_COLUMNS} FROM ({_SHOWN.format(among=_AT)}) AS shown"  # noqa: S608


def _values(**more: Any) -> dict[str, Any]:
    return {"pictures": sorted(PICTURES), "no_picture": sorted(NO_PICTURE), **more}


async def show_anew(
    connection: AsyncConnection, inspection_ids: Collection[UUID], digests: Collection[str]
) -> None:
    """Replace the rows that these inspections, which are locked, show of these images."""
    await read_across_sites(connection)
    values = {"inspections": list(inspection_ids), "digests": list(digests)}
    await connection.execute(sa.text(_TAKE_AWAY), values)
    await connection.execute(sa.text(_SHOW), _values(**values))


async def shown_by_facts(connection: AsyncConnection, inspection_ids: Collection[UUID]) -> Sequence[Row]:
    """What these inspections have to show, from the facts."""
    await read_across_sites(connection)
    found = await connection.execute(sa.text(_FOLD), _values(inspections=list(inspection_ids)))
    return found.mappings().all()


async def shown_now(connection: AsyncConnection, inspection_ids: Collection[UUID]) -> Sequence[Row]:
    query = sa.select(unit_images).where(unit_images.c.inspection_id.in_(inspection_ids))
    return (await connection.execute(query)).mappings().all()


async def show(
    connection: AsyncConnection, inspection_ids: Collection[UUID], rows: Sequence[Mapping[str, Any]]
) -> None:
    """Show these rows at these inspections, locked, and nothing else."""
    here = sa.delete(unit_images).where(unit_images.c.inspection_id.in_(inspection_ids))
    await connection.execute(here)
    await insert_rows(connection, unit_images, rows)

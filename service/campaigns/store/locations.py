"""SQL of the locations of inspections: bound to a revision, and what statements make of them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.campaigns.rules import BoundLocation
from service.campaigns.store.tables import inspection_locations, inspections
from service.database import Row, rows_as_json


def bound_location(row: Mapping[Any, Any]) -> BoundLocation:
    return BoundLocation(
        key=row["location_key"],
        bound=row["bound"],
        applicable=row["applicable"],
        mandatory=row["mandatory"],
        pictures_required=row["pictures_required"],
        pictures_held=row["pictures_held"],
    )


async def locations_of(
    connection: AsyncConnection, inspection_ids: Collection[UUID]
) -> dict[UUID, list[Row]]:
    """The locations of each inspection in job order, those no longer bound last."""
    at = inspection_locations.c
    query = (
        sa.select(inspection_locations)
        .where(at.inspection_id.in_(inspection_ids))
        .order_by(at.inspection_id, at.bound.desc(), at.ordinal, at.location_key)
    )
    found: dict[UUID, list[Row]] = {key: [] for key in inspection_ids}
    for row in (await connection.execute(query)).mappings():
        found[row["inspection_id"]].append(row)
    return found


_KEEP = sa.text(
    """
    UPDATE inspection_locations AS kept
    SET state = folded.state, heads = folded.heads, pictures_held = folded.pictures_held
    FROM jsonb_populate_recordset(NULL::inspection_locations, CAST(:rows AS jsonb)) AS folded
    WHERE kept.inspection_id = folded.inspection_id AND kept.location_key = folded.location_key
      AND (kept.state, kept.heads, kept.pictures_held)
          IS DISTINCT FROM (folded.state, folded.heads, folded.pictures_held)
    """
)


async def keep_folded(connection: AsyncConnection, rows: Collection[Mapping[str, Any]]) -> None:
    """Keep state, heads and pictures held of locations (with inspection_id and location_key), where they
    differ."""
    if rows:
        await connection.execute(_KEEP, {"rows": rows_as_json(rows)})


async def bind_revision(connection: AsyncConnection, inspection_id: UUID, revision_id: UUID) -> None:
    """Point the inspection at another revision and take all its locations out of the binding."""
    await connection.execute(
        sa.update(inspections).where(inspections.c.id == inspection_id).values(revision_id=revision_id)
    )
    await connection.execute(
        sa.update(inspection_locations)
        .where(inspection_locations.c.inspection_id == inspection_id)
        .values(bound=False)
    )


# Keeps one statement of a large fleet far below the statement timeout.
INSPECTIONS_PER_STATEMENT = 1000


async def bind_locations(
    connection: AsyncConnection, inspection_ids: Sequence[UUID], locations: Sequence[BoundLocation]
) -> None:
    """Bind inspections to the same locations, given in job order; a row that is there keeps its state,
    pictures and heads."""
    for start in range(0, len(inspection_ids), INSPECTIONS_PER_STATEMENT):
        batch = inspection_ids[start : start + INSPECTIONS_PER_STATEMENT]
        await connection.execute(_BIND, _bind_values(batch, locations))


_BIND = sa.text(
    """
    INSERT INTO inspection_locations
        (inspection_id, location_key, ordinal, bound, applicable, mandatory, pictures_required, state, heads)
    SELECT i.id, l.key, l.ordinal, true, l.applicable, l.mandatory, l.required,
           CASE WHEN l.applicable THEN 'no_statement' ELSE 'not_applicable' END, '{}'
    FROM unnest(CAST(:ids AS uuid[])) AS i (id)
    CROSS JOIN unnest(
        CAST(:keys AS text[]), CAST(:applicable AS boolean[]), CAST(:mandatory AS boolean[]),
        CAST(:required AS integer[])
    ) WITH ORDINALITY AS l (key, applicable, mandatory, required, ordinal)
    ON CONFLICT (inspection_id, location_key) DO UPDATE SET
        ordinal = excluded.ordinal, bound = true, applicable = excluded.applicable,
        mandatory = excluded.mandatory, pictures_required = excluded.pictures_required
    """
)


def _bind_values(inspection_ids: Sequence[UUID], locations: Sequence[BoundLocation]) -> dict[str, Any]:
    return {
        "ids": list(inspection_ids),
        "keys": [location.key for location in locations],
        "applicable": [location.applicable for location in locations],
        "mandatory": [location.mandatory for location in locations],
        "required": [location.pictures_required for location in locations],
    }

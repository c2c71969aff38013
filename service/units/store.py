"""SQL of units and where they stand."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import distinct_on, insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.database import Row, id_column, metadata, moment, reference, text, working
from service.facts.store import fact_table
from service.plans.store import builds, equipment_types

units = sa.Table(
    "units",
    metadata,
    id_column(),
    text("serial", unique=True),
    reference("type_id", "equipment_types.id"),
    reference("build_id", "builds.id"),
    reference("site_id", "sites.id", index=True),
    text("position", nullable=True),
    moment("created_at"),
    sa.Column("invented", sa.Boolean, nullable=False, server_default=sa.false()),
    info=working("site_id", "position"),
)

# Where a unit stood, dated: the serial number is the identity, the position is not.
unit_positions = fact_table(
    "unit_positions",
    reference("unit_id", "units.id", index=True),
    reference("site_id", "sites.id"),
    text("position", nullable=True),
    sa.Column("since", sa.Date, nullable=False),
)


async def insert_unit(connection: AsyncConnection, row: Mapping[str, Any]) -> bool:
    """False when the id or the serial is taken."""
    added = insert(units).values(**row).on_conflict_do_nothing().returning(units.c.id)
    return (await connection.execute(added)).first() is not None


async def lock_units(connection: AsyncConnection, unit_ids: Collection[UUID]) -> None:
    rows = sa.select(units.c.id).where(units.c.id.in_(unit_ids)).order_by(units.c.id)
    await connection.execute(rows.with_for_update(key_share=True))


async def units_by_id(connection: AsyncConnection, unit_ids: Collection[UUID]) -> Sequence[Row]:
    return (await connection.execute(sa.select(units).where(units.c.id.in_(unit_ids)))).mappings().all()


async def newest_positions(connection: AsyncConnection, unit_ids: Collection[UUID]) -> dict[UUID, Row]:
    """Of each unit the position with the newest date; of the same day, the one whose id was made later."""
    at = unit_positions.c
    query = (
        sa.select(unit_positions)
        .ext(distinct_on(at.unit_id))
        .where(at.unit_id.in_(unit_ids))
        .order_by(at.unit_id, at.since.desc(), at.id.desc())
    )
    return {row["unit_id"]: row for row in (await connection.execute(query)).mappings()}


async def set_position(
    connection: AsyncConnection, unit_id: UUID, site_id: UUID, position: str | None
) -> None:
    await connection.execute(
        sa.update(units).where(units.c.id == unit_id).values(site_id=site_id, position=position)
    )


def unit_view() -> sa.Select[*tuple[Any, ...]]:
    return (
        sa.select(
            units,
            sites.c.code.label("site"),
            equipment_types.c.code.label("type"),
            builds.c.code.label("build"),
        )
        .join(sites, sites.c.id == units.c.site_id)
        .join(equipment_types, equipment_types.c.id == units.c.type_id)
        .join(builds, builds.c.id == units.c.build_id)
    )


async def unit_by_serial(connection: AsyncConnection, serial: str) -> Row | None:
    """A unit with the codes of its site, type and build."""
    found = await connection.execute(unit_view().where(units.c.serial == serial))
    return found.mappings().one_or_none()


async def positions_of(connection: AsyncConnection, unit_id: UUID) -> Sequence[Row]:
    """Where a unit stood, the newest first; of the same day, the one whose id was made later."""
    found = await connection.execute(
        sa.select(unit_positions, sites.c.code.label("site"))
        .join(sites, sites.c.id == unit_positions.c.site_id)
        .where(unit_positions.c.unit_id == unit_id)
        .order_by(unit_positions.c.since.desc(), unit_positions.c.id.desc())
    )
    return found.mappings().all()


async def position_by_id(connection: AsyncConnection, position_id: UUID) -> Row | None:
    found = await connection.execute(
        sa.select(unit_positions, sites.c.code.label("site"))
        .join(sites, sites.c.id == unit_positions.c.site_id)
        .where(unit_positions.c.id == position_id)
    )
    return found.mappings().one_or_none()


async def type_and_build(connection: AsyncConnection, type_code: str, build_code: str) -> Row | None:
    """The ids of an equipment type and one of its builds."""
    found = await connection.execute(
        sa.select(equipment_types.c.id.label("type_id"), builds.c.id.label("build_id"))
        .join(builds, builds.c.type_id == equipment_types.c.id)
        .where(equipment_types.c.code == type_code, builds.c.code == build_code)
    )
    return found.mappings().one_or_none()

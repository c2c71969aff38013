"""SQL of inspections."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.campaigns.rules import OPEN_COLUMNS, Inspection
from service.campaigns.store.locations import bound_location, locations_of
from service.campaigns.store.tables import campaigns, inspection_locations, inspections
from service.database import Row, rows_as_json
from service.plans.store import builds, equipment_types, plan_revisions, plans
from service.units.store import units

# What is kept of an inspection beside its locations.
COUNTED = ("complete", *OPEN_COLUMNS)
_OWN = (
    "id", "campaign_id", "unit_id", "site_id", "type_id", "revision_id", "version", "complete",
)  # fmt: skip


def _inspection_view() -> sa.Select[*tuple[Any, ...]]:
    """Inspections with the words a person knows them by."""
    return (
        sa.select(
            *(inspections.c[name] for name in _OWN),
            units.c.serial.label("unit"),
            units.c.position,
            sites.c.code.label("site"),
            builds.c.code.label("build"),
            equipment_types.c.code.label("equipment_type"),
            campaigns.c.name.label("campaign"),
            campaigns.c.plan_id,
            campaigns.c.closed_at,
            plans.c.code.label("plan"),
            plan_revisions.c.label.label("revision"),
        )
        .join(campaigns, campaigns.c.id == inspections.c.campaign_id)
        .join(plans, plans.c.id == campaigns.c.plan_id)
        .join(units, units.c.id == inspections.c.unit_id)
        .join(builds, builds.c.id == units.c.build_id)
        .join(sites, sites.c.id == inspections.c.site_id)
        .join(equipment_types, equipment_types.c.id == inspections.c.type_id)
        .join(plan_revisions, plan_revisions.c.id == inspections.c.revision_id)
    )


async def _found(connection: AsyncConnection, query: sa.Select[*tuple[Any, ...]]) -> list[Inspection]:
    return [Inspection(**row) for row in (await connection.execute(query)).mappings()]


async def lock_inspections(
    connection: AsyncConnection, inspection_ids: Iterable[UUID]
) -> dict[UUID, Inspection]:
    """The inspections, locked until the transaction ends; ids that do not exist are absent.

    Every fold reads under this lock. Locks are taken in ascending id, then completion rows in ascending
    key, so that two transactions never wait for each other; a transaction that touches several
    inspections has to lock them all in one call. The lock leaves foreign key checks free.
    """
    query = (
        _inspection_view()
        .where(inspections.c.id.in_(list(inspection_ids)))
        .order_by(inspections.c.id)
        .with_for_update(of=inspections, key_share=True)
    )
    locked = {inspection.id: inspection for inspection in await _found(connection, query)}
    rows_of = await locations_of(connection, locked.keys())
    return {
        key: replace(
            inspection,
            locations=tuple(bound_location(row) for row in rows_of[key]),
            keys=frozenset(row["location_key"] for row in rows_of[key]),
        )
        for key, inspection in locked.items()
    }


async def inspections_by_id(
    connection: AsyncConnection, inspection_ids: Iterable[UUID]
) -> dict[UUID, Inspection]:
    """The inspections, not locked; ids that do not exist are absent."""
    query = _inspection_view().where(inspections.c.id.in_(list(inspection_ids)))
    return {inspection.id: inspection for inspection in await _found(connection, query)}


async def inspection_by_id(connection: AsyncConnection, inspection_id: UUID) -> Inspection | None:
    return (await inspections_by_id(connection, [inspection_id])).get(inspection_id)


async def ids_of_campaign(connection: AsyncConnection, campaign_id: UUID) -> list[UUID]:
    query = sa.select(inspections.c.id).where(inspections.c.campaign_id == campaign_id)
    return list(await connection.scalars(query.order_by(inspections.c.id)))


async def counted_of(connection: AsyncConnection, inspection_ids: Collection[UUID]) -> dict[UUID, Row]:
    """What is kept of each inspection beside its locations: whether it is complete, its open pictures."""
    query = sa.select(inspections.c.id, *(inspections.c[name] for name in COUNTED)).where(
        inspections.c.id.in_(inspection_ids)
    )
    return {row["id"]: row for row in (await connection.execute(query)).mappings()}


async def inspection_page(
    connection: AsyncConnection,
    campaign_id: UUID,
    *,
    site_codes: Collection[str] | None,
    state: str | None,
    after: str | None,
    limit: int,
) -> list[Inspection]:
    """Inspections of a campaign by ascending serial number, beginning after the serial `after`."""
    query = _inspection_view().where(inspections.c.campaign_id == campaign_id)
    if site_codes is not None:
        query = query.where(sites.c.code.in_(site_codes))
    if after is not None:
        query = query.where(units.c.serial > after)
    if state in ("complete", "open"):
        query = query.where(inspections.c.complete == (state == "complete"))
    elif state == "blocked":
        query = query.where(inspections.c.complete, _something_open())
    elif state is not None:
        at = inspection_locations.c
        query = query.where(
            sa.exists().where(at.inspection_id == inspections.c.id, at.bound, at.state == state)
        )
    return await _found(connection, query.order_by(units.c.serial).limit(limit))


def _something_open() -> sa.ColumnElement[bool]:
    """What blocks beside "complete": an open picture, or a location called complete with too few."""
    at, kept = inspection_locations.c, inspections.c
    short = sa.exists().where(
        at.inspection_id == kept.id,
        at.bound & at.applicable & (at.state == "complete") & (at.pictures_held < at.pictures_required),
    )
    return short | (kept.pictures_engineering + kept.pictures_second_look + kept.pictures_unplaced > 0)


async def open_inspections_at(connection: AsyncConnection, site: str) -> list[Inspection]:
    """Inspections of a site in campaigns that are not closed, by serial number."""
    query = _inspection_view().where(sites.c.code == site, campaigns.c.closed_at.is_(None))
    return await _found(connection, query.order_by(units.c.serial, inspections.c.id))


async def insert_inspections(connection: AsyncConnection, rows: list[dict[str, Any]]) -> set[UUID]:
    """The ids of the inspections that were made; a unit already in the campaign makes none."""
    added = insert(inspections).on_conflict_do_nothing().returning(inspections.c.id)
    return set((await connection.execute(added, rows)).scalars())


async def campaigns_of(connection: AsyncConnection, inspection_ids: Collection[UUID]) -> set[UUID]:
    """The campaigns that these inspections are of."""
    query = sa.select(inspections.c.campaign_id).where(inspections.c.id.in_(inspection_ids)).distinct()
    return set((await connection.execute(query)).scalars())


async def units_in_campaign(connection: AsyncConnection, campaign_id: UUID) -> set[UUID]:
    query = sa.select(inspections.c.unit_id).where(inspections.c.campaign_id == campaign_id)
    return set((await connection.execute(query)).scalars())


_KEEP = sa.text(
    f"""
    UPDATE inspections AS kept
    SET version = kept.version + 1, {", ".join(f"{name} = counted.{name}" for name in COUNTED)}
    FROM jsonb_populate_recordset(NULL::inspections, CAST(:rows AS jsonb)) AS counted
    WHERE kept.id = counted.id
    """  # noqa: S608 (names of our own columns)
)


async def keep_counted(connection: AsyncConnection, rows: Collection[Mapping[str, Any]]) -> None:
    """Keep what was counted anew of inspections (id and COUNTED), each in a new version."""
    if rows:
        await connection.execute(_KEEP, {"rows": rows_as_json(rows)})

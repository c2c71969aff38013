"""Tables of campaigns, and the SQL of campaigns and inspections.

facts.py holds the SQL of what is appended and folded, rollup.py that of the roll-up.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import ARRAY, insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.database import Row, id_column, ids, metadata, moment, reference, text, texts
from service.facts.store import fact_table
from service.plans.store import builds, equipment_types, plan_revisions, plans
from service.records.store import units

campaigns = sa.Table(
    "campaigns",
    metadata,
    id_column(),
    text("name", unique=True),
    reference("plan_id", "plans.id"),
    sa.Column("opens", sa.Date, nullable=False),
    sa.Column("closes", sa.Date, nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    moment("created_at"),
    moment("closed_at", nullable=True),
    reference("created_by", "accounts.id"),
)

# `revision_id` is the present binding; how it came to be stands in bindings (I10). The last three are kept
# from unit_images and the revision's scale, as `complete` from the locations (rules.OpenPictures).
inspections = sa.Table(
    "inspections",
    metadata,
    id_column(),
    reference("campaign_id", "campaigns.id"),
    reference("unit_id", "units.id", index=True),
    reference("site_id", "sites.id", index=True),
    reference("type_id", "equipment_types.id"),
    reference("revision_id", "plan_revisions.id"),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("complete", sa.Boolean, nullable=False, server_default=sa.false()),
    sa.Column("pictures_engineering", sa.Integer, nullable=False, server_default="0"),
    sa.Column("pictures_second_look", sa.Integer, nullable=False, server_default="0"),
    sa.Column("pictures_unplaced", sa.Integer, nullable=False, server_default="0"),
    moment("created_at"),
    sa.UniqueConstraint("campaign_id", "unit_id"),
)

# To which revision an inspection is bound, each replacing the one before.
bindings = fact_table(
    "bindings",
    reference("inspection_id", "inspections.id", index=True),
    reference("revision_id", "plan_revisions.id"),
    text("reason"),
)

# What people said. `locations` is the list written out when it was said; `every_location`: the inspection's
# locations were not named one by one. `stated_by` NULL: whoever recorded it (`by_name`).
statements = fact_table(
    "statements",
    reference("inspection_id", "inspections.id", index=True),
    text("kind"),
    texts("locations"),
    sa.Column("every_location", sa.Boolean, nullable=False),
    text("reason", nullable=True),
    text("note", nullable=True),
    text("stated_by", nullable=True),
    moment("stated_at", nullable=True),
)

# The fold's result per location, kept in the transaction of each fact. Locations that the bound
# revision no longer has stay with `bound` false: what was said and seen there is not lost.
inspection_locations = sa.Table(
    "inspection_locations",
    metadata,
    reference("inspection_id", "inspections.id", primary_key=True),
    text("location_key", primary_key=True),
    sa.Column("ordinal", sa.Integer, nullable=False),
    sa.Column("bound", sa.Boolean, nullable=False),
    sa.Column("applicable", sa.Boolean, nullable=False),
    sa.Column("mandatory", sa.Boolean, nullable=False),
    sa.Column("pictures_required", sa.Integer, nullable=False),
    sa.Column("pictures_held", sa.Integer, nullable=False, server_default="0"),
    text("state"),
    ids("heads"),
)

# One row per campaign, site and type; equal to a recount at every commit.
# `locations` counts bound and applicable ones; the state columns add up to it.
completion = sa.Table(
    "completion",
    metadata,
    reference("campaign_id", "campaigns.id", primary_key=True),
    reference("site_id", "sites.id", primary_key=True),
    reference("type_id", "equipment_types.id", primary_key=True),
    *(
        sa.Column(name, sa.BigInteger, nullable=False, server_default="0")
        for name in (
            "inspections",
            "inspections_complete",
            "inspections_blocked",
            "locations",
            "complete",
            "complete_short",
            "omitted",
            "not_inspected",
            "reopened",
            "conflict",
            "no_statement",
            "not_applicable",
            "pictures_required",
            "pictures_held",
            "pictures_required_held",
            "pictures_engineering",
            "pictures_second_look",
            "pictures_unplaced",
        )
    ),
)


def _inspection_view() -> sa.Select[*tuple[Any, ...]]:
    """Inspections with the words a person knows them by."""
    return (
        sa.select(
            inspections,
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


async def lock_inspections(connection: AsyncConnection, inspection_ids: Iterable[UUID]) -> dict[UUID, Row]:
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
    return {row["id"]: row for row in (await connection.execute(query)).mappings()}


async def inspection(connection: AsyncConnection, inspection_id: UUID) -> Row | None:
    query = _inspection_view().where(inspections.c.id == inspection_id)
    return (await connection.execute(query)).mappings().one_or_none()


async def inspection_page(
    connection: AsyncConnection,
    campaign_id: UUID,
    *,
    site_codes: Collection[str] | None,
    state: str | None,
    after: str | None,
    limit: int,
) -> Sequence[Row]:
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
    return (await connection.execute(query.order_by(units.c.serial).limit(limit))).mappings().all()


def _something_open() -> sa.ColumnElement[bool]:
    """What blocks beside "complete": an open picture, or a location called complete with too few."""
    at, kept = inspection_locations.c, inspections.c
    short = sa.exists().where(
        at.inspection_id == kept.id,
        at.bound & at.applicable & (at.state == "complete") & (at.pictures_held < at.pictures_required),
    )
    return short | (kept.pictures_engineering + kept.pictures_second_look + kept.pictures_unplaced > 0)


async def open_inspections_at(connection: AsyncConnection, site: str) -> Sequence[Row]:
    """Inspections of a site in campaigns that are not closed, by serial number."""
    query = _inspection_view().where(sites.c.code == site, campaigns.c.closed_at.is_(None))
    return (await connection.execute(query.order_by(units.c.serial, inspections.c.id))).mappings().all()


async def lock_campaign(connection: AsyncConnection, campaign_id: UUID, *, share: bool) -> Row | None:
    """The campaign, locked: `share` against its closing only, else against any other change of it."""
    query = _campaign_view().where(campaigns.c.id == campaign_id)
    locked = query.with_for_update(of=campaigns, read=share, key_share=not share)
    return (await connection.execute(locked)).mappings().one_or_none()


def _campaign_view() -> sa.Select[*tuple[Any, ...]]:
    return (
        sa.select(
            campaigns,
            plans.c.code.label("plan"),
            plans.c.type_id,
            equipment_types.c.code.label("equipment_type"),
        )
        .join(plans, plans.c.id == campaigns.c.plan_id)
        .join(equipment_types, equipment_types.c.id == plans.c.type_id)
    )


async def campaign(connection: AsyncConnection, campaign_id: UUID) -> Row | None:
    query = _campaign_view().where(campaigns.c.id == campaign_id)
    return (await connection.execute(query)).mappings().one_or_none()


async def campaign_page(
    connection: AsyncConnection,
    *,
    site_codes: Collection[str] | None,
    account_id: UUID | None,
    before: UUID | None,
    limit: int,
) -> Sequence[Row]:
    """Campaigns by descending id, beginning below `before`; with `site_codes` only those with units there
    and those that `account_id` made."""
    query = _campaign_view()
    if site_codes is not None:
        here = sa.exists().where(
            completion.c.campaign_id == campaigns.c.id,
            completion.c.site_id == sites.c.id,
            sites.c.code.in_(site_codes),
        )
        query = query.where(here | (campaigns.c.created_by == account_id))
    if before is not None:
        query = query.where(campaigns.c.id < before)
    return (await connection.execute(query.order_by(campaigns.c.id.desc()).limit(limit))).mappings().all()


async def insert_campaign(connection: AsyncConnection, values: dict[str, Any]) -> bool:
    """False when the id or the name is taken."""
    added = insert(campaigns).values(values).on_conflict_do_nothing().returning(campaigns.c.id)
    return (await connection.execute(added)).first() is not None


async def name_taken(connection: AsyncConnection, name: str) -> bool:
    return (
        await connection.execute(sa.select(campaigns.c.id).where(campaigns.c.name == name))
    ).first() is not None


async def update_campaign(connection: AsyncConnection, campaign_id: UUID, values: dict[str, Any]) -> None:
    await connection.execute(
        sa.update(campaigns)
        .where(campaigns.c.id == campaign_id)
        .values(**values, version=campaigns.c.version + 1)
    )


async def units_by_serial(connection: AsyncConnection, serials: Collection[str]) -> dict[str, Row]:
    query = (
        sa.select(
            units.c.id,
            units.c.serial,
            units.c.type_id,
            units.c.site_id,
            sites.c.code.label("site"),
            builds.c.code.label("build"),
            equipment_types.c.code.label("equipment_type"),
        )
        .join(sites, sites.c.id == units.c.site_id)
        .join(builds, builds.c.id == units.c.build_id)
        .join(equipment_types, equipment_types.c.id == units.c.type_id)
        .where(units.c.serial == sa.func.any(sa.cast(list(serials), ARRAY(sa.Text))))
    )
    return {row["serial"]: row for row in (await connection.execute(query)).mappings()}


async def units_in_campaign(connection: AsyncConnection, campaign_id: UUID) -> set[UUID]:
    query = sa.select(inspections.c.unit_id).where(inspections.c.campaign_id == campaign_id)
    return set((await connection.execute(query)).scalars())


async def insert_inspections(connection: AsyncConnection, rows: list[dict[str, Any]]) -> set[UUID]:
    """The ids of the inspections that were made; a unit already in the campaign makes none."""
    added = insert(inspections).on_conflict_do_nothing().returning(inspections.c.id)
    return set((await connection.execute(added, rows)).scalars())


async def campaigns_of(connection: AsyncConnection, inspection_ids: Collection[UUID]) -> set[UUID]:
    """The campaigns that these inspections are of."""
    query = sa.select(inspections.c.campaign_id).where(inspections.c.id.in_(inspection_ids)).distinct()
    return set((await connection.execute(query)).scalars())


async def next_open_campaign(connection: AsyncConnection, after: UUID | None) -> UUID | None:
    """The open campaign with the next higher id than `after`, else the one with the lowest."""
    ids = sa.select(campaigns.c.id).where(campaigns.c.closed_at.is_(None)).order_by(campaigns.c.id).limit(1)
    if after is not None:
        found: UUID | None = await connection.scalar(ids.where(campaigns.c.id > after))
        if found is not None:
            return found
    return await connection.scalar(ids)

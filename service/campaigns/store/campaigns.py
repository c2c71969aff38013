"""SQL of campaigns."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import ARRAY, insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.campaigns.store.tables import campaigns, completion
from service.database import Row
from service.plans.store import builds, equipment_types, plans
from service.units.store import units


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


async def campaign_by_id(connection: AsyncConnection, campaign_id: UUID) -> Row | None:
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


async def next_open_campaign(connection: AsyncConnection, after: UUID | None) -> UUID | None:
    """The open campaign with the next higher id than `after`, else the one with the lowest."""
    ids = sa.select(campaigns.c.id).where(campaigns.c.closed_at.is_(None)).order_by(campaigns.c.id).limit(1)
    if after is not None:
        found: UUID | None = await connection.scalar(ids.where(campaigns.c.id > after))
        if found is not None:
            return found
    return await connection.scalar(ids)

"""SQL that only pages need: the inspections of one serial number, and when cards last came back."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.campaigns.store import campaigns, inspections
from service.intake.store import card_returns
from service.records.store import units


async def inspections_of_unit(
    connection: AsyncConnection, serial: str, site_codes: Collection[str] | None
) -> list[UUID]:
    """Ids of a unit's inspections, those of open campaigns first, within that the newest first."""
    query = (
        sa.select(inspections.c.id)
        .join(units, units.c.id == inspections.c.unit_id)
        .join(sites, sites.c.id == inspections.c.site_id)
        .join(campaigns, campaigns.c.id == inspections.c.campaign_id)
        .where(units.c.serial == serial)
        .order_by(campaigns.c.closed_at.is_not(None), campaigns.c.opens.desc(), inspections.c.id.desc())
    )
    if site_codes is not None:
        query = query.where(sites.c.code.in_(site_codes))
    return list(await connection.scalars(query))


async def last_returns(connection: AsyncConnection, inspection_ids: Collection[UUID]) -> dict[UUID, datetime]:
    """When a card of each inspection last came in whole, by the service's clock."""
    query = (
        sa.select(card_returns.c.inspection_id, sa.func.max(card_returns.c.committed_at))
        .where(card_returns.c.inspection_id.in_(inspection_ids), card_returns.c.committed_at.is_not(None))
        .group_by(card_returns.c.inspection_id)
    )
    return {row[0]: row[1] for row in await connection.execute(query)}

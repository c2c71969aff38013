"""Checks, one campaign at a time, whether the kept counts still follow from the facts."""

from __future__ import annotations

from uuid import UUID

from service.campaigns.actions.projections import COMPLETION, INSPECTIONS, KEYS_AT_ONCE
from service.campaigns.store.campaigns import next_open_campaign
from service.campaigns.store.inspections import ids_of_campaign
from service.database import EVERY_SITE, Database
from service.facts.projections import differences, use_one_snapshot


async def drift_of_next(db: Database, after: UUID | None) -> tuple[UUID, int] | None:
    """The open campaign with the next higher id (after the last one: the first), and how many values that
    are kept of it differ from a recount; None without an open campaign.

    That one campaign is counted in full, in one snapshot: not for every request.
    """
    async with db.begin(EVERY_SITE) as connection:
        await use_one_snapshot(connection)
        campaign_id = await next_open_campaign(connection, after)
        if campaign_id is None:
            return None
        found, _ = await differences(connection, COMPLETION, [campaign_id])
        inspection_ids = await ids_of_campaign(connection, campaign_id)
        for start in range(0, len(inspection_ids), KEYS_AT_ONCE):
            batch = inspection_ids[start : start + KEYS_AT_ONCE]
            found += (await differences(connection, INSPECTIONS, batch))[0]
        return campaign_id, len(found)

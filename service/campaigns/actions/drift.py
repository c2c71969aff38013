"""Whether the roll-up still equals a recount: asked a little at a time, for those who watch the service."""

from __future__ import annotations

from uuid import UUID

from service.campaigns.store import rollup
from service.campaigns.store.campaigns import next_open_campaign
from service.database import Database


async def drift_of_next(db: Database, after: UUID | None) -> tuple[UUID, int] | None:
    """The open campaign with the next higher id (after the last one: the first), and how many of its
    rows of the roll-up differ from a recount; None without an open campaign.

    That one campaign is counted in full, in one snapshot: not for every request.
    """
    async with db.begin() as connection:
        await rollup.use_one_snapshot(connection)
        campaign_id = await next_open_campaign(connection, after)
        if campaign_id is None:
            return None
        return campaign_id, len(await rollup.completion_drift(connection, campaign_id))

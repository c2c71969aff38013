"""The history of one serial number: one page, one query."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.campaigns.store.places import elsewhere
from service.database import Row

# The page is cut on unit_images alone, from ix_unit_images_history (or ix_unit_images_location), before
# anything is joined: a page costs the same at a thousand rows and at a million. Tables of campaigns,
# plans and intake are named here in text, because those contexts lie above this one.
HISTORY = """
WITH page AS MATERIALIZED (
    SELECT * FROM unit_images
    WHERE {where}
    ORDER BY taken_at DESC, id DESC
    LIMIT :limit
)
SELECT page.*, image.size, image.verified_at, image.thumbnail, image.no_thumbnail,
       sighting.kind, sighting.marks,
       coalesce(image.format, sighting.format) AS format, coalesce(image.exif, sighting.exif) AS exif,
       page.counted AND {elsewhere} AS elsewhere,
       sighting.path, sighting.modified, sighting.read_at, sighting.received_at,
       back.id AS card_return_id, back.card_id, back.person, back.scope, back.shift, agent.name AS agent,
       campaign.id AS campaign_id, campaign.name AS campaign, plan.code AS plan, bound.label AS revision,
       prepared.label AS prepared_under, fact.rule, fact.move_id
FROM page
JOIN images image ON image.digest = page.digest
JOIN sightings sighting ON sighting.id = page.first_sighting_id
JOIN card_returns back ON back.id = sighting.card_return_id
JOIN agents agent ON agent.id = back.agent_id
JOIN inspections inspection ON inspection.id = page.inspection_id
JOIN campaigns campaign ON campaign.id = inspection.campaign_id
JOIN plans plan ON plan.id = campaign.plan_id
JOIN placements fact ON fact.id = page.placement_id
JOIN plan_revisions bound ON bound.id = fact.revision_id
LEFT JOIN cards card ON card.id = back.card_id
LEFT JOIN plan_revisions prepared ON prepared.id = coalesce(back.revision_id, card.revision_id)
ORDER BY page.taken_at DESC, page.id DESC
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which images of a unit: every filter that is not None must hold. `since` is included, `until` not.

    `sites` None shows every inspection; else only those carried out at these sites.
    """

    location: str | None = None
    element: int | None = None
    condition: str | None = None
    evaluation: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    campaign_id: UUID | None = None
    sites: Collection[str] | None = None


_CLAUSES = {
    "location": "location_key = :location",
    "element": ":element BETWEEN element AND coalesce(element_last, element)",
    "condition": "condition = :condition",
    "evaluation": "evaluation = :evaluation",
    "since": "taken_at >= :since",
    "until": "taken_at < :until",
    "campaign_id": "inspection_id IN"
    " (SELECT id FROM inspections WHERE unit_id = :unit_id AND campaign_id = :campaign_id)",
    "sites": "inspection_id IN (SELECT inspections.id FROM inspections JOIN sites ON sites.id = site_id"
    " WHERE unit_id = :unit_id AND sites.code = ANY(:sites))",
}


def history_query(wanted: Wanted, after: tuple[datetime, UUID] | None) -> tuple[str, dict[str, Any]]:
    """SQL and parameters of a page that begins below `after`, the (taken_at, id) of the last item seen."""
    values: dict[str, Any] = {
        name: value for name in _CLAUSES if (value := getattr(wanted, name)) is not None
    }
    clauses = ["unit_id = :unit_id", *(_CLAUSES[name] for name in values)]
    if "sites" in values:
        values["sites"] = sorted(values["sites"])
    if after is not None:
        clauses.append("(taken_at, id) < (:last_taken_at, :last_id)")
        values |= {"last_taken_at": after[0], "last_id": after[1]}
    return HISTORY.format(where=" AND ".join(clauses), elsewhere=elsewhere("page")), values


async def history_page(
    connection: AsyncConnection,
    unit_id: UUID,
    wanted: Wanted,
    after: tuple[datetime, UUID] | None,
    limit: int,
) -> Sequence[Row]:
    """Images of a unit, the newest first."""
    query, values = history_query(wanted, after)
    found = await connection.execute(sa.text(query), {**values, "unit_id": unit_id, "limit": limit})
    return found.mappings().all()


def limited(wanted: Wanted, site_codes: Collection[str] | None) -> Wanted:
    """The same filters, for a caller who sees only what was inspected at these sites."""
    return replace(wanted, sites=site_codes)

"""The work list of a site: what an agent there pulls, keeps, and works from without the service."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.access.store import known_site, people_at
from service.campaigns.rules import Inspection
from service.campaigns.store.inspections import open_inspections_at
from service.campaigns.store.locations import locations_of
from service.contract.work import InspectionBrief, LocationBrief, RevisionBrief, Worklist
from service.database import Database, Row, server_now
from service.plans import store as plans
from service.plans.rules import FoldedRevision, effective_at, state_of


async def read_worklist(db: Database, caller: Caller, site: str) -> Worklist:
    """Every inspection at the site in a campaign that is not closed, complete ones too, since a complete
    one may be reopened; with the revisions they are bound to and those effective there now.

    Locations are those of the bound revision, in job order; people are those in whose name a statement may
    be made. Raises NotFound or NotAllowed.
    """
    caller.must(Act.READ, site)
    async with db.begin() as connection:
        found = await known_site(connection, site)
        inspections = await open_inspections_at(connection, site)
        rows_of = await locations_of(connection, [inspection.id for inspection in inspections])
        revisions = await _revisions(connection, inspections, site)
        people = await people_at(connection, site)
    return Worklist(
        site=site,
        inspections=[_brief(inspection, rows_of[inspection.id]) for inspection in inspections],
        revisions=revisions,
        card_profile=found["card_profile"],
        people=people,
    )


async def _revisions(
    connection: AsyncConnection, inspections: Collection[Inspection], site: str
) -> list[RevisionBrief]:
    """The revisions the inspections are bound to, and of their plans those effective at the site now."""
    now = server_now()
    found: list[RevisionBrief] = []
    for plan_id in sorted({inspection.plan_id for inspection in inspections}):
        folds = await plans.folds_of_plan(connection, plan_id)
        wanted = {inspection.revision_id for inspection in inspections if inspection.plan_id == plan_id}
        if effective := effective_at(folds, now, site):
            wanted.add(effective)
        for revision_id in sorted(wanted):
            revision = await plans.revision(connection, revision_id)
            assert revision is not None
            found.append(_revision_brief(revision, folds, now, site))
    return found


def _revision_brief(
    revision: Row, folds: Mapping[UUID, FoldedRevision], now: datetime, site: str
) -> RevisionBrief:
    """`effective_from` is that of the newest publication that has reached the site, None without one."""
    publications = folds[revision["id"]].publications
    reached = [p.effective_from for p in publications if p.effective_from <= now and p.covers(site)]
    return RevisionBrief(
        id=revision["id"],
        plan=revision["plan"],
        label=revision["label"],
        state=state_of(revision["id"], folds, now, site),
        effective_from=max(reached, default=None),
        digest=revision["digest"],
    )


def _brief(inspection: Inspection, locations: Collection[Row]) -> InspectionBrief:
    return InspectionBrief(
        id=inspection.id,
        campaign_id=inspection.campaign_id,
        campaign=inspection.campaign,
        unit=inspection.unit,
        equipment_type=inspection.equipment_type,
        build=inspection.build,
        position=inspection.position,
        plan=inspection.plan,
        revision_id=inspection.revision_id,
        revision=inspection.revision,
        locations=[
            LocationBrief(
                key=location["location_key"],
                state=location["state"],
                pictures_required=location["pictures_required"],
                pictures_held=location["pictures_held"],
                heads=location["heads"],
            )
            for location in locations
            if location["bound"]
        ],
    )

"""The work list of a site: what an agent there pulls, keeps, and works from without the service."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.access.store import known_site, people_at
from service.campaigns import store
from service.campaigns.store import facts
from service.contract.work import InspectionBrief, LocationStanding, RevisionBrief, Worklist
from service.database import Database, Row, server_now
from service.plans import store as plans
from service.plans.rules import Fold, effective_at, state_of


async def read_worklist(db: Database, caller: Caller, site: str) -> Worklist:
    """Every inspection at the site in a campaign that is not closed, complete ones too, since a complete
    one may be reopened; with the revisions they are bound to and those effective there now.

    Locations are those of the bound revision, in job order; people are those in whose name a statement may
    be made. Raises NotFound or NotAllowed.
    """
    caller.must(Act.READ, site)
    async with db.begin() as connection:
        found = await known_site(connection, site)
        rows = await store.open_inspections_at(connection, site)
        locations_of = await facts.locations_of(connection, [row["id"] for row in rows])
        revisions = await _revisions(connection, rows, site)
        people = await people_at(connection, site)
    return Worklist(
        site=site,
        inspections=[_brief(row, locations_of[row["id"]]) for row in rows],
        revisions=revisions,
        card_profile=found["card_profile"],
        people=people,
    )


async def _revisions(connection: AsyncConnection, rows: Collection[Row], site: str) -> list[RevisionBrief]:
    """The revisions the inspections are bound to, and of their plans those effective at the site now."""
    now = server_now()
    found: list[RevisionBrief] = []
    for plan_id in sorted({row["plan_id"] for row in rows}):
        folds = await plans.folds_of_plan(connection, plan_id)
        wanted = {row["revision_id"] for row in rows if row["plan_id"] == plan_id}
        if effective := effective_at(folds, now, site):
            wanted.add(effective)
        for revision_id in sorted(wanted):
            revision = await plans.revision(connection, revision_id)
            assert revision is not None
            found.append(_revision_brief(revision, folds, now, site))
    return found


def _revision_brief(revision: Row, folds: Mapping[UUID, Fold], now: datetime, site: str) -> RevisionBrief:
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


def _brief(row: Row, locations: Collection[Row]) -> InspectionBrief:
    return InspectionBrief(
        id=row["id"],
        campaign_id=row["campaign_id"],
        campaign=row["campaign"],
        unit=row["unit"],
        equipment_type=row["equipment_type"],
        build=row["build"],
        position=row["position"],
        plan=row["plan"],
        revision_id=row["revision_id"],
        revision=row["revision"],
        locations=[
            LocationStanding(
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

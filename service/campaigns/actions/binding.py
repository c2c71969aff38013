"""Binding inspections to plan revisions, at their opening and anew (I10)."""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.campaigns import rules, store
from service.campaigns.actions import reading
from service.campaigns.actions.settling import changing
from service.campaigns.rules import BoundLocation
from service.campaigns.store import facts
from service.contract.campaigns import BindingIn, BindingMade, LocationPassage
from service.contract.plan_document import PlanDocument
from service.contract.wire import new_id
from service.database import Database, Row, server_now
from service.errors import Conflict
from service.plans.store import effective_revision, revision_document


async def effective_now(connection: AsyncConnection, plan_id: UUID, plan: str, site: str) -> UUID:
    """The revision of the plan that is effective at the site now; raises Conflict where there is none."""
    revision_id = await effective_revision(connection, plan_id, site, server_now())
    if revision_id is None:
        raise Conflict(
            f"No revision of plan {plan} is effective at site {site} now, so nothing can be bound to it.",
            next_step="Ask the quality office to publish a revision for this site, or use another plan.",
        )
    return revision_id


def locations_for(document: PlanDocument, build: str) -> list[BoundLocation]:
    """The locations of a revision in job order, as a unit of this build has them (I11).

    Raises Conflict where the revision has nothing for the build.
    """
    if build not in document.builds or not document.locations_for(build):
        raise Conflict(
            f"Revision {document.revision} of plan {document.plan} has no location for build {build}.",
            next_step="Have the quality office add the build to the plan, or leave units of this build out.",
        )
    return [
        BoundLocation(
            location.key,
            applicable=build in location.builds,
            mandatory=location.mandatory,
            pictures_required=location.pictures.required,
        )
        for location in document.locations()
    ]


async def compare(
    connection: AsyncConnection, before_id: UUID, after_id: UUID, build: str
) -> LocationPassage:
    """What comes and goes for a unit of this build between two revisions."""
    before = await revision_document(connection, before_id)
    after = await revision_document(connection, after_id)
    found = rules.passage(
        _contents(before, build),
        _contents(after, build),
        {location.key: location.former_key for location in after.locations()},
    )
    return LocationPassage(
        from_revision_id=before_id,
        from_revision=before.revision,
        to_revision_id=after_id,
        to_revision=after.revision,
        came=list(found.came),
        went=list(found.went),
        changed=list(found.changed),
        renamed=found.renamed,
    )


def _contents(document: PlanDocument, build: str) -> dict[str, object]:
    """Each location with all that can change about it for the unit; whether the build has it is told
    by the build, not by the list of builds."""
    return {
        location.key: (
            build in location.builds,
            msgspec.structs.asdict(location) | {"builds": None, "former_key": None},
        )
        for location in document.locations()
    }


async def preview_binding(db: Database, caller: Caller, inspection_id: UUID) -> LocationPassage:
    """What would come and go if the inspection were bound to the revision effective at its site now."""
    async with db.begin() as connection:
        inspection = await reading.visible_inspection(connection, caller, inspection_id)
        revision_id = await effective_now(
            connection, inspection["plan_id"], inspection["plan"], inspection["site"]
        )
        return await compare(connection, inspection["revision_id"], revision_id, inspection["build"])


async def bind(
    connection: AsyncConnection, caller: Caller, inspection_id: UUID, wanted: BindingIn
) -> Row | None:
    """Bind an inspection to the revision effective at its site now (I10), in the caller's transaction; every
    statement stays. The inspection, locked, or None where the binding is recorded already.

    Pictures that were claimed for a location that comes are brought to it by service.intake, which lies
    above. Raises NotFound, NotAllowed, Conflict (another revision is effective, it is already bound to it,
    or the campaign is closed).
    """
    for campaign_id in await store.campaigns_of(connection, [inspection_id]):
        await store.lock_campaign(connection, campaign_id, share=True)
    inspection = (await store.lock_inspections(connection, [inspection_id])).get(inspection_id)
    if inspection is None:
        raise reading.no_inspection(inspection_id)
    caller.must(Act.REBIND, inspection["site"])
    if await facts.binding(connection, wanted.id) is not None:
        return None
    await _bind_anew(connection, caller, inspection, wanted)
    return inspection


async def _bind_anew(connection: AsyncConnection, caller: Caller, inspection: Row, wanted: BindingIn) -> None:
    inspection_id = inspection["id"]
    account_id = caller.person()
    await _may_bind(connection, inspection, wanted.revision_id)
    document = await revision_document(connection, wanted.revision_id)
    async with changing(connection, [inspection_id]):
        await facts.insert_bindings(
            connection,
            [
                {
                    "id": wanted.id,
                    "inspection_id": inspection_id,
                    "revision_id": wanted.revision_id,
                    "reason": wanted.reason,
                    "account_id": account_id,
                    "by_name": caller.name,
                    "recorded_at": await _after_last(connection, inspection_id),
                }
            ],
        )
        await facts.bind_revision(connection, inspection_id, wanted.revision_id)
        locations = locations_for(document, inspection["build"])
        await facts.bind_locations(connection, [inspection_id], locations)


async def _after_last(connection: AsyncConnection, inspection_id: UUID) -> datetime:
    """A time of record that keeps the bindings in the order the inspection's lock gave them, also when
    the server's clock went back."""
    last: datetime = (await facts.bindings_of(connection, inspection_id))[-1]["recorded_at"]
    return max(server_now(), last + timedelta(microseconds=1))


async def _may_bind(connection: AsyncConnection, inspection: Row, revision_id: UUID) -> None:
    if inspection["closed_at"] is not None:
        raise Conflict(
            f"Campaign {inspection['campaign']} is closed; its inspections keep their revision.",
            next_step="Inspect the unit to the newer revision in a new campaign.",
        )
    effective = await effective_now(connection, inspection["plan_id"], inspection["plan"], inspection["site"])
    if revision_id != effective:
        raise Conflict(
            f"Revision {revision_id} is not the one effective at site {inspection['site']} now.",
            next_step="Look at the preview again: it shows the revision that is effective.",
        )
    if revision_id == inspection["revision_id"]:
        raise Conflict(
            f"The inspection is already bound to revision {inspection['revision']}.",
            next_step="There is nothing to do.",
        )


async def binding_made(connection: AsyncConnection, inspection_id: UUID, wanted: BindingIn) -> BindingMade:
    """A recorded binding with what came and went by it (I8); raises Conflict where the id stands for
    another."""
    inspection = await store.inspection(connection, inspection_id)
    assert inspection is not None
    history = await facts.bindings_of(connection, inspection["id"])
    at = next((n for n, row in enumerate(history) if row["id"] == wanted.id), 0)
    made = history[at]
    asked = (wanted.id, wanted.revision_id, wanted.reason)
    if at == 0 or (made["id"], made["revision_id"], made["reason"]) != asked:
        raise Conflict(
            f"Binding {wanted.id} is already recorded with other content.",
            next_step="Repeat the request as it was, or make a new one under a new id.",
        )
    return BindingMade(
        binding=reading.binding_out(made),
        passage=await compare(
            connection, history[at - 1]["revision_id"], made["revision_id"], inspection["build"]
        ),
        inspection=await reading.inspection_detail(connection, inspection["id"]),
    )


def first_binding(inspection_id: UUID, revision_id: UUID, caller: Caller, now: datetime) -> dict[str, object]:
    """The row of the binding that opens an inspection."""
    return {
        "id": new_id(),
        "inspection_id": inspection_id,
        "revision_id": revision_id,
        "reason": "effective at the site when the inspection was opened",
        "account_id": caller.person(),
        "by_name": caller.name,
        "recorded_at": now,
    }

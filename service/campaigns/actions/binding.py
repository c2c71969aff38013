"""Inspections are bound to plan revisions when they are opened, and anew on request (I10)."""

from __future__ import annotations

from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.campaigns import rules
from service.campaigns.actions import reading
from service.campaigns.actions.projections import BINDINGS, location_keys
from service.campaigns.rules import Inspection
from service.campaigns.store.campaigns import lock_campaign
from service.campaigns.store.inspections import campaigns_of, inspection_by_id
from service.campaigns.store.statements import bindings_of
from service.campaigns.store.tables import bindings
from service.contract.campaigns import BindingIn, BindingMade, LocationPassage
from service.contract.plan_document import PlanDocument
from service.database import Database, server_now
from service.errors import Conflict
from service.facts.projections import settle
from service.facts.store import append, recorded, recorded_otherwise
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
    """Each location with all that can change about it for the unit; one flag says whether this build has it,
    in place of the list of builds."""
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
        revision_id = await effective_now(connection, inspection.plan_id, inspection.plan, inspection.site)
        return await compare(connection, inspection.revision_id, revision_id, inspection.build)


async def may_rebind(connection: AsyncConnection, caller: Caller, inspection_id: UUID) -> None:
    """Lock the campaign of an inspection against closing; raises NotFound or NotAllowed. The caller locks the
    inspection only afterwards."""
    caller.must(Act.REBIND)
    for campaign_id in await campaigns_of(connection, [inspection_id]):
        await lock_campaign(connection, campaign_id, share=True)
    await reading.visible_inspection(connection, caller, inspection_id)


async def bind(
    connection: AsyncConnection, caller: Caller, inspection: Inspection, wanted: BindingIn
) -> frozenset[str] | None:
    """Bind an inspection, locked, to the revision effective at its site now (I10); every statement stays.
    Returns the locations it has by the binding, or None where the binding is recorded already.

    Pictures that were claimed for a location that comes are brought to it by service.intake, which lies
    above. Raises NotAllowed for an agent, Conflict (another revision is effective, it is already bound to it,
    or the campaign is closed).
    """
    if await recorded(connection, bindings, [wanted.id]):
        return None
    caller.person()
    await _may_bind(connection, inspection, wanted.revision_id)
    made = {"id": wanted.id, "revision_id": wanted.revision_id, "reason": wanted.reason}
    last = (await bindings_of(connection, inspection.id))[-1]
    fact = {**made, "inspection_id": inspection.id, "replaces": [last["id"]]}
    await append(connection, bindings, [fact], caller)
    folded = await settle(connection, BINDINGS, [inspection.id])
    return frozenset(location_keys(folded[inspection.id]))


async def _may_bind(connection: AsyncConnection, inspection: Inspection, revision_id: UUID) -> None:
    if inspection.closed_at is not None:
        raise Conflict(
            f"Campaign {inspection.campaign} is closed; its inspections keep their revision.",
            next_step="Inspect the unit to the newer revision in a new campaign.",
        )
    effective = await effective_now(connection, inspection.plan_id, inspection.plan, inspection.site)
    if revision_id != effective:
        raise Conflict(
            f"Revision {revision_id} is not the one effective at site {inspection.site} now.",
            next_step="Look at the preview again: it shows the revision that is effective.",
        )
    if revision_id == inspection.revision_id:
        raise Conflict(
            f"The inspection is already bound to revision {inspection.revision}.",
            next_step="There is nothing to do.",
        )


async def binding_made(connection: AsyncConnection, inspection_id: UUID, wanted: BindingIn) -> BindingMade:
    """A recorded binding with what came and went by it (I8); raises Conflict where the id stands for
    another."""
    inspection = await inspection_by_id(connection, inspection_id)
    assert inspection is not None
    history = await bindings_of(connection, inspection.id)
    at = next((n for n, row in enumerate(history) if row["id"] == wanted.id), 0)
    made = history[at]
    asked = (wanted.id, wanted.revision_id, wanted.reason)
    if at == 0 or (made["id"], made["revision_id"], made["reason"]) != asked:
        raise recorded_otherwise(f"Binding {wanted.id}")
    return BindingMade(
        binding=reading.binding_out(made),
        passage=await compare(
            connection, history[at - 1]["revision_id"], made["revision_id"], inspection.build
        ),
        inspection=await reading.inspection_detail(connection, inspection.id),
    )

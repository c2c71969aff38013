"""Binds an inspection anew, and places the pictures that waited for a new location (I10, I12)."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Caller
from service.campaigns.actions import binding
from service.campaigns.actions.settling import changing
from service.campaigns.store.tables import bindings
from service.contract.campaigns import BindingIn, BindingMade
from service.contract.wire import new_id
from service.database import Database, Row
from service.facts.store import append, recorded
from service.intake.store.showing import show_anew
from service.intake.store.sighting import claims_waiting
from service.intake.store.tables import placements


async def rebind(db: Database, caller: Caller, inspection_id: UUID, wanted: BindingIn) -> BindingMade:
    """Bind an inspection to the revision effective at its site now; every statement stays.

    A picture that stands at no location, because the plan did not have its location and now does, comes to
    stand there: a placement by this binding, with its reason. Raises as `binding.bind` does, and Conflict
    where the id stands for another binding. The same request again gives the changes that the first one made
    (I8).
    """
    async with db.begin() as connection:
        await binding.may_rebind(connection, caller, inspection_id)
        if not await recorded(connection, bindings, [wanted.id]):
            async with changing(connection, [inspection_id]) as inspections:
                locations = await binding.bind(connection, caller, inspections[inspection_id], wanted)
                if locations is not None:
                    await _bring_claimed(connection, caller, inspection_id, wanted, locations)
        return await binding.binding_made(connection, inspection_id, wanted)


async def _bring_claimed(
    connection: AsyncConnection,
    caller: Caller,
    inspection_id: UUID,
    wanted: BindingIn,
    locations: Collection[str],
) -> None:
    claimed = await claims_waiting(connection, inspection_id, locations)
    if claimed:
        made = {"binding_id": wanted.id, "revision_id": wanted.revision_id}
        await append(connection, placements, [{**_brought(row), **made} for row in claimed], caller)
        await show_anew(connection, [inspection_id], {row["digest"] for row in claimed})


def _brought(row: Row) -> dict[str, Any]:
    """The placement that carries out a claim: all that the claim said, at the place it named."""
    same = ("sighting_id", "inspection_id", "element_last", "evaluation", "condition", "note", "confidence")
    return {
        "id": new_id(),
        **{name: row[name] for name in same},
        "location_key": row["claimed_key"],
        "element": row["claimed_element"],
        "rule": "binding",
        "replaces": [row["id"]],
    }

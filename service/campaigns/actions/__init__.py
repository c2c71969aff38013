"""Use cases on inspections: statements of people and agents, and pictures that came in."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.campaigns import store
from service.campaigns.actions import reading
from service.campaigns.actions.settling import changing
from service.campaigns.store import facts, rollup
from service.contract.campaigns import StatementMade
from service.contract.problem import ProblemError
from service.contract.work import StatementIn
from service.database import Database, Row, server_now
from service.errors import Conflict, Invalid, NotAllowed
from service.plans import vocabulary
from service.plans.store import revision_document


async def make_statement(db: Database, caller: Caller, statement: StatementIn) -> StatementMade:
    """Record what a person or agent says of locations of one inspection.

    Raises NotFound, NotAllowed, Invalid (a location that does not exist or is not applicable to the
    build, a reason that is not in the list) or Conflict (the campaign is closed, or the id already
    stands for another statement). The same statement again gives the present standing (I8).
    """
    async with db.begin() as connection:
        await record_statements(connection, caller, [statement], None)
        return await reading.statement_made(connection, statement.inspection_id, statement.id)


async def record_statements(
    connection: AsyncConnection, caller: Caller, statements: list[StatementIn], card_return_id: UUID | None
) -> None:
    """Record statements in the caller's transaction; raises as `make_statement` does.

    With a `card_return_id` the words are older than their arrival, and a card has to be taken whole: a
    campaign closed since, or a re-binding that made a location not applicable, does not turn them away.
    They are kept; a location that is not applicable stays so (I11).
    """
    known = await facts.statements_by_id(connection, (s.id for s in statements))
    fresh = [statement for statement in statements if statement.id not in known]
    if fresh and card_return_id is None:
        await _refuse_closed(connection, fresh)
    if fresh:
        async with changing(connection, {s.inspection_id for s in fresh}) as locked:
            rows_of = await facts.locations_of(connection, locked.keys())
            rows = [_checked(caller, locked, rows_of, statement, card_return_id) for statement in fresh]
            await facts.insert_statements(connection, rows)
    await _same_as_held(connection, caller, statements)


async def _refuse_closed(connection: AsyncConnection, fresh: Sequence[StatementIn]) -> None:
    """Hold the campaigns open for this transaction, or raise Conflict where one is closed."""
    for campaign_id in sorted(await store.campaigns_of(connection, {s.inspection_id for s in fresh})):
        campaign = await store.lock_campaign(connection, campaign_id, share=True)
        if campaign is not None and campaign["closed_at"] is not None:
            raise Conflict(
                f"Campaign {campaign['name']} is closed; it takes no further statement.",
                next_step="Ask the fleet manager for a new campaign over this unit.",
            )


def _checked(
    caller: Caller,
    locked: Mapping[UUID, Row],
    rows_of: Mapping[UUID, Sequence[Row]],
    statement: StatementIn,
    card_return_id: UUID | None,
) -> dict[str, Any]:
    """The row to append for one statement, after every check that can turn it down."""
    inspection = locked.get(statement.inspection_id)
    if inspection is None:
        raise reading.no_inspection(statement.inspection_id)
    may_state(caller, statement, inspection["site"])
    _check_reason(statement)
    named = _named(statement, rows_of[statement.inspection_id], any_build=card_return_id is not None)
    if statement.kind == "omission_authorised" and any(row["mandatory"] for row in named):
        caller.must(Act.AUTHORISE_MANDATORY_OMISSION, inspection["site"])
    return {
        "id": statement.id,
        "inspection_id": statement.inspection_id,
        "kind": statement.kind,
        "locations": [row["location_key"] for row in named],
        "replaces": sorted(set(statement.replaces)),
        "reason": statement.reason,
        "note": statement.note,
        "stated_by": statement.stated_by or caller.name,
        "stated_at": statement.stated_at,
        "account_id": caller.account_id,
        "agent_id": caller.agent_id,
        "by_name": caller.name,
        "card_return_id": card_return_id,
        "recorded_at": server_now(),
    }


def may_state(caller: Caller, statement: StatementIn, site: str) -> None:
    """Raise NotAllowed unless the caller may make this kind of statement at the site."""
    if statement.kind != "omission_authorised":
        caller.must(Act.STATE, site)
    elif caller.agent:
        raise NotAllowed(
            "An agent cannot authorise an omission: a person with the authority does, signed in.",
            next_step="State it as not inspected, with the reason; a shift lead or engineer decides.",
        )
    else:
        caller.must(Act.AUTHORISE_OMISSION, site)


def _listed(reason: str | None) -> bool:
    return reason is not None and vocabulary.is_term(reason, "not_inspected_reason")


def _check_reason(statement: StatementIn) -> None:
    reason = statement.reason
    if statement.kind == "complete" and reason is not None:
        raise Invalid("A statement that a location is complete takes no reason.", next_step="Use the note.")
    if statement.kind == "not_inspected" and not _listed(reason):
        raise Invalid(
            f"{reason!r} is not a reason for not inspecting a location.",
            next_step="Give a term of the list not_inspected_reason, as not_inspected_reason:code.",
        )
    if statement.kind == "omission_authorised" and not (reason or statement.note):
        raise Invalid(
            "An omission is authorised with a reason or a note that says why.",
            next_step="Say in the note on what grounds the location may be left out.",
        )


def _named(statement: StatementIn, rows: Sequence[Row], *, any_build: bool) -> list[Row]:
    """The locations a statement speaks of, in job order; None is every one the inspection owes."""
    if statement.locations is None:
        owed = [row for row in rows if row["bound"] and row["applicable"]]
        if not owed:
            raise Invalid("The inspection has no applicable location to speak of.")
        return owed
    wanted = set(statement.locations)
    known = {row["location_key"]: row for row in rows}
    errors = [
        ProblemError(f"{key} is not a location of this inspection.", path=f"/locations/{at}")
        if key not in known
        else ProblemError(f"{key} does not exist on this unit's build.", path=f"/locations/{at}")
        for at, key in enumerate(statement.locations)
        if key not in known or not (known[key]["applicable"] or any_build)
    ]
    if errors:
        raise Invalid(
            f"The statement names {len(errors)} location(s) that this unit does not have: {errors[0].detail}",
            next_step="Take the location keys from the inspection; nothing is stated of what does not exist.",
            errors=errors[:100],
        )
    return [row for row in rows if row["location_key"] in wanted]


async def _same_as_held(
    connection: AsyncConnection, caller: Caller, statements: Sequence[StatementIn]
) -> None:
    """Raise Conflict where an id already stands for another statement (I8)."""
    held = await facts.statements_by_id(connection, (s.id for s in statements))
    for statement in statements:
        inspection = await store.inspection(connection, statement.inspection_id)
        if inspection is None:
            raise reading.no_inspection(statement.inspection_id)
        may_state(caller, statement, inspection["site"])
        row = held[statement.id]
        if not (
            _same_words(row, statement) and await _same_locations(connection, inspection, statement, row)
        ):
            raise Conflict(
                f"Statement {statement.id} is already recorded with other content.",
                next_step="Make the new statement under a new id, naming the one it replaces.",
            )


def _same_words(row: Row, statement: StatementIn) -> bool:
    return bool(
        row["inspection_id"] == statement.inspection_id
        and row["kind"] == statement.kind
        and row["replaces"] == sorted(set(statement.replaces))
        and row["reason"] == statement.reason
        and row["note"] == statement.note
        and row["stated_by"] == (statement.stated_by or row["stated_by"])
        and row["stated_at"] == statement.stated_at
    )


async def _same_locations(
    connection: AsyncConnection, inspection: Row, statement: StatementIn, row: Row
) -> bool:
    """True when the list written out then is what the statement says; for the whole unit, what any
    binding of the inspection would have been written out to."""
    if statement.locations is not None:
        return set(row["locations"]) == set(statement.locations)
    for bound in await facts.bindings_of(connection, inspection["id"]):
        document = await revision_document(connection, bound["revision_id"])
        if set(row["locations"]) == {
            location.key for location in document.locations_for(inspection["build"])
        }:
            return True
    return False


@dataclass(frozen=True, slots=True)
class InspectionContext:
    """What a card return has to know of an inspection; `locations` has the keys it has or ever had."""

    id: UUID
    campaign_id: UUID
    unit_id: UUID
    unit: str
    site_id: UUID
    site: str
    type_id: UUID
    build: str
    plan_id: UUID
    revision_id: UUID
    revision: str
    version: int
    locations: frozenset[str]


async def inspection_context(
    connection: AsyncConnection, inspection_ids: Collection[UUID]
) -> dict[UUID, InspectionContext]:
    """The inspections by id, locked until the transaction ends; ids that do not exist are absent.

    Call it first, once, with every inspection the transaction will touch, statements included: the
    order of locks rests on it.
    """
    locked = await store.lock_inspections(connection, inspection_ids)
    await rollup.lock_rows(
        connection, {(row["campaign_id"], row["site_id"], row["type_id"]) for row in locked.values()}
    )
    rows_of = await facts.locations_of(connection, locked.keys())
    names = [field.name for field in fields(InspectionContext) if field.name != "locations"]
    return {
        key: InspectionContext(
            **{name: row[name] for name in names},
            locations=frozenset(location["location_key"] for location in rows_of[key]),
        )
        for key, row in locked.items()
    }


async def add_pictures(connection: AsyncConnection, inspection_id: UUID, by_location: dict[str, int]) -> None:
    """Count pictures in at the locations of an inspection (or out, with negative numbers). What is claimed
    for a location that the inspection does not have stands at none, and counts once it is brought there."""
    if not by_location:
        return
    async with changing(connection, [inspection_id]) as locked:
        if inspection_id in locked:
            await facts.add_held(connection, inspection_id, by_location)

"""Statements of people and agents: each that can be taken is recorded, each other turned down by itself."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.access.store import people_at
from service.campaigns.actions import reading
from service.campaigns.actions.settling import changing
from service.campaigns.rules import BoundLocation, Inspection, Statement, contradictions
from service.campaigns.store.campaigns import lock_campaign
from service.campaigns.store.inspections import campaigns_of, inspection_by_id
from service.campaigns.store.tables import statements as statement_facts
from service.contract.campaigns import StatementMade
from service.contract.problem import ProblemError
from service.contract.work import StatementIn
from service.database import Database, Row
from service.errors import Conflict, Invalid, NotAllowed, Refusal
from service.facts.store import append, recorded, recorded_otherwise, same
from service.plans import vocabulary


@dataclass(frozen=True, slots=True)
class TurnedDown:
    """A statement that was not recorded, and why."""

    statement: StatementIn
    refusal: Refusal


async def make_statement(db: Database, caller: Caller, statement: StatementIn) -> StatementMade:
    """Record what a person or agent says of locations of one inspection.

    Raises NotFound, NotAllowed, Invalid (a location that does not exist or is not applicable to the
    build, a reason that is not in the list, an agent that names none of the site's people) or Conflict (the
    campaign is closed, or the id already stands for another statement). The same statement again gives the
    present state (I8).
    """
    async with db.begin() as connection:
        await record_statement(connection, caller, statement)
        return await reading.statement_made(connection, statement.inspection_id, statement.id)


async def record_statement(connection: AsyncConnection, caller: Caller, statement: StatementIn) -> None:
    """As `make_statement`, in the caller's transaction."""
    known = await recorded(connection, statement_facts, [statement.id])
    if known:
        await _same_as_recorded(connection, caller, statement, known[statement.id])
        return
    closed = await _closed(connection, [statement])
    async with changing(connection, [statement.inspection_id]) as inspections:
        for turned in await _record_fresh(connection, caller, [statement], inspections, None, closed):
            raise turned.refusal


async def record_statements(
    connection: AsyncConnection,
    caller: Caller,
    statements: Sequence[StatementIn],
    card_return_id: UUID,
    inspections: Mapping[UUID, Inspection],
) -> list[TurnedDown]:
    """Record each statement of a card that can be taken; those that were turned down, each for its own
    reason. The inspections they are about are locked, those that exist (`changing`).

    The words are older than their arrival, and a card has to be taken whole: a campaign closed since, or a
    re-binding that made a location not applicable, does not turn them away. They are kept; a location that is
    not applicable stays so (I11).
    """
    each = list({msgspec.json.encode(statement): statement for statement in statements}.values())
    known = await recorded(connection, statement_facts, (statement.id for statement in each))
    turned = []
    for statement in each:
        if statement.id in known:
            try:
                await _same_as_recorded(connection, caller, statement, known[statement.id])
            except Refusal as refusal:
                turned.append(TurnedDown(statement, refusal))
    fresh = [statement for statement in each if statement.id not in known]
    if not fresh:
        return turned
    return turned + await _record_fresh(connection, caller, fresh, inspections, card_return_id, {})


async def _record_fresh(
    connection: AsyncConnection,
    caller: Caller,
    fresh: Sequence[StatementIn],
    inspections: Mapping[UUID, Inspection],
    card_return_id: UUID | None,
    closed: Mapping[UUID, str],
) -> list[TurnedDown]:
    batch = Batch(
        caller,
        card_return_id,
        inspections,
        await _speakers(connection, caller, inspections),
        closed,
    )
    facts, refused = batch.judge(fresh)
    appended = await append(connection, statement_facts, facts, caller, card_return_id=card_return_id)
    # Another transaction used the id meanwhile, for another inspection.
    late = [statement for statement in fresh if statement.id in appended.differing]
    return refused + [
        TurnedDown(statement, recorded_otherwise(f"Statement {statement.id}")) for statement in late
    ]


async def _closed(connection: AsyncConnection, fresh: Sequence[StatementIn]) -> dict[UUID, str]:
    """The names of those campaigns that are closed, by id; the others stay open for this transaction."""
    closed = {}
    for campaign_id in sorted(await campaigns_of(connection, {s.inspection_id for s in fresh})):
        campaign = await lock_campaign(connection, campaign_id, share=True)
        if campaign is not None and campaign["closed_at"] is not None:
            closed[campaign_id] = campaign["name"]
    return closed


async def _speakers(
    connection: AsyncConnection, caller: Caller, inspections: Mapping[UUID, Inspection]
) -> dict[str, Collection[str]]:
    """By site the people in whose name an agent may speak, those who have left since among them: a card is
    older than its arrival."""
    sites = {inspection.site for inspection in inspections.values()} if caller.agent else set()
    return {site: await people_at(connection, site, ever=True) for site in sorted(sites)}


@dataclass(frozen=True, slots=True)
class Batch:
    """Everything by which statements made together are judged; the inspections are locked."""

    caller: Caller
    card_return_id: UUID | None
    inspections: Mapping[UUID, Inspection]
    speakers: Mapping[str, Collection[str]]
    closed: Mapping[UUID, str]

    def judge(self, statements: Sequence[StatementIn]) -> tuple[list[dict[str, Any]], list[TurnedDown]]:
        """The rows to append, and what is turned down."""
        against = self._contradicted(statements)
        rows, turned = [], []
        for statement in statements:
            try:
                row = self._row(statement)
                if others := against.get(statement.id):
                    raise _contradiction(statement, others)
                rows.append(row)
            except Refusal as refusal:
                turned.append(TurnedDown(statement, refusal))
        return rows, turned

    def _contradicted(self, statements: Sequence[StatementIn]) -> dict[UUID, list[StatementIn]]:
        """By id of a statement the others among these that contradict it at some location."""
        by_inspection: dict[UUID, list[Statement]] = {}
        for statement in statements:
            folded = Statement(
                statement.id,
                statement.kind,
                frozenset(self._keys(statement)),
                frozenset(statement.replaces),
                statement.reason,
            )
            by_inspection.setdefault(statement.inspection_id, []).append(folded)
        found: dict[UUID, list[StatementIn]] = {}
        for together in by_inspection.values():
            for key, others in contradictions(together).items():
                found[key] = [other for other in statements if other.id in others]
        # Where one id has two contents, the service cannot know which one is meant.
        for statement in statements:
            same = [other for other in statements if other.id == statement.id and other != statement]
            if same:
                found.setdefault(statement.id, []).extend(same)
        return found

    def _keys(self, statement: StatementIn) -> Iterator[str]:
        if statement.locations is not None:
            yield from statement.locations
            return
        if inspection := self.inspections.get(statement.inspection_id):
            yield from (location.key for location in inspection.locations if location.owed)

    def _row(self, statement: StatementIn) -> dict[str, Any]:
        """The row to append for one statement, after every check that can turn it down by itself."""
        inspection = self.inspections.get(statement.inspection_id)
        if inspection is None or not self.caller.at(inspection.site):
            raise reading.no_inspection(statement.inspection_id)
        may_state(self.caller, statement, inspection.site)
        if inspection.campaign_id in self.closed:
            name = self.closed[inspection.campaign_id]
            raise Conflict(
                f"Campaign {name} is closed; it takes no further statement.",
                next_step="Ask the fleet manager for a new campaign over this unit.",
            )
        if self.caller.agent:
            _check_speaker(statement, inspection.site, self.speakers[inspection.site])
        _check_reason(statement)
        if any("\0" in (text or "") for text in (statement.reason, statement.note, statement.stated_by)):
            raise Invalid("The statement holds a NUL character.", next_step="State it again without.")
        any_build = self.card_return_id is not None
        named = _named(statement, inspection.locations, any_build=any_build)
        if statement.kind == "omission_authorised" and any(location.mandatory for location in named):
            self.caller.must(Act.AUTHORISE_MANDATORY_OMISSION, inspection.site)
        return {
            "id": statement.id,
            "inspection_id": statement.inspection_id,
            "kind": statement.kind,
            "locations": [location.key for location in named],
            **_words(statement),
        }


def _words(statement: StatementIn) -> dict[str, Any]:
    """What the statement says besides the locations."""
    return {
        "every_location": statement.locations is None,
        "replaces": sorted(set(statement.replaces)),
        "reason": statement.reason,
        "note": statement.note,
        "stated_by": statement.stated_by,
        "stated_at": statement.stated_at,
    }


def _contradiction(statement: StatementIn, others: Sequence[StatementIn]) -> Conflict:
    against = "; ".join(f"{_in_words(other)} ({other.id})" for other in others[:5])
    return Conflict(
        f"Statement {statement.id} says {_in_words(statement)}, and made with it was: {against}. Neither "
        "replaces the other, so neither was taken.",
        next_step="State once what holds for each location.",
    )


def _in_words(statement: StatementIn) -> str:
    where = "every location" if statement.locations is None else ", ".join(statement.locations[:5])
    reason = f" with {statement.reason}" if statement.reason else ""
    return f"{statement.kind.replace('_', ' ')} of {where}{reason}"


def _check_speaker(statement: StatementIn, site: str, people: Collection[str]) -> None:
    if statement.stated_by is None:
        raise Invalid(
            "The statement names nobody who made it; a workstation says nothing by itself.",
            next_step="Name one of the site's people with it.",
        )
    if statement.stated_by not in people:
        raise Invalid(
            f"{statement.stated_by!r} is none of the people of site {site}.",
            next_step="Name one of the site's people, or have an administrator enter the name for the site.",
        )


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


def _named(
    statement: StatementIn, locations: Sequence[BoundLocation], *, any_build: bool
) -> list[BoundLocation]:
    """The locations a statement speaks of, in job order; None is every one the inspection owes."""
    if statement.locations is None:
        owed = [location for location in locations if location.owed]
        if not owed:
            raise Invalid("The inspection has no applicable location to speak of.")
        return owed
    wanted = set(statement.locations)
    known = {location.key: location for location in locations}
    errors = [
        ProblemError(f"{key} is not a location of this inspection.", path=f"/locations/{at}")
        if key not in known
        else ProblemError(f"{key} does not exist on this unit's build.", path=f"/locations/{at}")
        for at, key in enumerate(statement.locations)
        if key not in known or not (known[key].applicable or any_build)
    ]
    if errors:
        raise Invalid(
            f"The statement names {len(errors)} location(s) that this unit does not have: {errors[0].detail}",
            next_step="Take the location keys from the inspection; nothing is stated of what does not exist.",
            errors=errors[:100],
        )
    return [location for location in locations if location.key in wanted]


async def _same_as_recorded(
    connection: AsyncConnection, caller: Caller, statement: StatementIn, row: Row
) -> None:
    """Raise Conflict where the id already stands for another statement (I8)."""
    inspection = await inspection_by_id(connection, statement.inspection_id)
    if inspection is None:
        raise reading.no_inspection(statement.inspection_id)
    may_state(caller, statement, inspection.site)
    # A statement for the whole unit was written out to what the inspection owed then: that list counts here.
    recorded_list, named = row["locations"], statement.locations
    locations = recorded_list if named is None or set(named) == set(recorded_list) else named
    wanted = {"inspection_id": statement.inspection_id, "kind": statement.kind, "locations": locations}
    if not same(statement_facts, row, {**wanted, **_words(statement)}):
        raise recorded_otherwise(f"Statement {statement.id}")

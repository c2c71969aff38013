"""Use cases of a revision's life: submit, return, approve, publish, suspend, resume, withdraw."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.access.store import unknown_sites
from service.contract.plans import RevisionDetail, RevisionEventIn
from service.contract.problem import ProblemError
from service.database import Database, Row, server_now
from service.errors import Conflict, Invalid, NotAllowed
from service.facts.store import append_one, recorded, recorded_otherwise, same
from service.plans import rules, store
from service.plans.actions.revisions import locked_revision, revision_detail

# The clocks of caller and service may differ by this much before a time counts as past.
CLOCK_SLACK = timedelta(minutes=1)


async def record_event(
    db: Database, caller: Caller, revision_id: UUID, requested: RevisionEventIn
) -> RevisionDetail:
    """Append one event to the life of a revision, and answer how the revision stands after it.

    Raises NotFound, NotAllowed (role, site, two-person rule), Invalid (members that do not go together,
    an unknown site, a past date without `backdated` and a note), or Conflict (the step cannot follow
    on what it replaces, the revision has moved on, or the id stands for another event). A repeated
    event gets the present state (I8).
    """
    caller.must(Act.WRITE_PLAN if requested.kind == "submitted" else Act.APPROVE_PLAN)
    account_id = caller.person()
    async with db.begin() as connection:
        revision = await locked_revision(connection, revision_id)
        fact = _fact(revision_id, requested)
        known = await recorded(connection, store.revision_events, [requested.id])
        if known:
            _same_event(known[requested.id], fact, account_id)
            return await revision_detail(connection, revision)
        events = (await store.events_of_plan(connection, revision["plan_id"]))[revision_id]
        event = _event(requested, account_id)
        _refuse_step(revision, rules.step_fault(event, events))
        _refuse_person(rules.person_fault(event, events, revision["author_id"]))
        await _check_members(connection, requested)
        _check_reach(caller, [event] if event.kind == "published" else events)
        await append_one(connection, store.revision_events, fact, caller, f"Event {requested.id}")
        return await revision_detail(connection, revision)


def _event(requested: RevisionEventIn, account_id: UUID) -> rules.Event:
    return rules.Event(
        requested.id,
        requested.kind,
        account_id,
        frozenset(requested.replaces),
        requested.effective_from,
        None if requested.sites is None else frozenset(requested.sites),
    )


def _fact(revision_id: UUID, requested: RevisionEventIn) -> dict[str, object]:
    return {
        "id": requested.id,
        "revision_id": revision_id,
        "kind": requested.kind,
        "note": requested.note,
        "effective_from": requested.effective_from,
        "sites": None if requested.sites is None else sorted(set(requested.sites)),
        "replaces": sorted(set(requested.replaces)),
    }


def _same_event(known: Row, fact: dict[str, object], account_id: UUID) -> None:
    """The person is part of the event: the same content from another person is another event."""
    if known["account_id"] != account_id or not same(store.revision_events, known, fact):
        raise recorded_otherwise(f"Event {known['id']}")


def _refuse_step(revision: Row, fault: str | None) -> None:
    if fault is not None:
        raise Conflict(
            f"Revision {revision['label']} of plan {revision['plan']}: {fault}",
            next_step="Read the revision again; replace its heads, or take another step.",
        )


def _refuse_person(fault: str | None) -> None:
    if fault is not None:
        raise NotAllowed(fault, next_step="Ask another approver, who had no part in writing it.")


async def _check_members(connection: AsyncConnection, requested: RevisionEventIn) -> None:
    if requested.kind != "published":
        if requested.effective_from is not None or requested.sites is not None or requested.backdated:
            raise _invalid(
                "/kind", "Only a publication has effectiveFrom, sites or backdated.", "Leave them out."
            )
        return
    if requested.effective_from is None:
        raise _invalid(
            "/effectiveFrom", "A publication needs effectiveFrom.", "Say from when it is effective."
        )
    if requested.effective_from < server_now() - CLOCK_SLACK and not (requested.backdated and requested.note):
        raise _invalid(
            "/effectiveFrom",
            f"{requested.effective_from.isoformat()} lies in the past.",
            "Give a time from now on; or set backdated and say in the note why it was effective before.",
        )
    unknown = await unknown_sites(connection, requested.sites or [])
    if unknown:
        raise _invalid("/sites", f"There is no site {unknown[0]}.", "Use codes of GET /api/v1/sites.")


def _invalid(path: str, fault: str, next_step: str) -> Invalid:
    return Invalid(fault, next_step=next_step, errors=[ProblemError(detail=fault, path=path)])


def _check_reach(caller: Caller, events: Iterable[rules.Event]) -> None:
    """Nobody decides for a site that he has no access to."""
    for event in events:
        if event.kind == "published" and caller.sites is not None:
            beyond = sorted((event.sites or frozenset()) - caller.sites)
            if event.sites is None or beyond:
                at = f"site {beyond[0]}" if beyond else "every site"
                raise NotAllowed(
                    f"This is for {at} too, to which {caller.name} has no access.",
                    next_step="Ask an approver of all these sites.",
                )

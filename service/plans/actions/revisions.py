"""Use cases of plan revisions: drafting, editing, reading, comparing; their life is in transitions.py."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.contract.plan_document import PlanDocument
from service.contract.plans import (
    ApplicableLocation,
    Difference,
    Publication,
    Revision,
    RevisionDetail,
    RevisionEvent,
)
from service.contract.problem import ProblemError
from service.database import Database, Row, server_now
from service.errors import Conflict, Invalid, NotAllowed
from service.plans import difference, rules, store
from service.plans.actions.catalogue import known_plan, same_content
from service.plans.document import Checked, digest, plain


def accepted(checked: Checked) -> PlanDocument:
    """The checked document; raises Invalid with the list of errors if there are any."""
    if checked.document is None:
        faults = [found for found in checked.findings if found.severity == "error"]
        errors = [ProblemError(detail=f.message, path=f.path, line=f.line) for f in faults]
        raise Invalid(
            f"The plan document has {len(errors)} fault(s): {errors[0].detail}",
            consequence="No revision was changed.",
            next_step="Correct the lines listed under errors; `sightledger plan check FILE` tells the same.",
            errors=errors,
        )
    return checked.document


async def create_draft(db: Database, caller: Caller, revision_id: UUID, checked: Checked) -> RevisionDetail:
    """Record a draft revision of the plan that the document names.

    A repeated request gets the same draft; raises Invalid (faults, unknown plan, type or build) or
    Conflict (the label or the id stands for another revision).
    """
    caller.must(Act.WRITE_PLAN)
    author, document = caller.person(), accepted(checked)
    async with db.begin() as connection:
        plan = await _plan_of(connection, document)
        row = {"id": revision_id, "plan_id": plan["id"], "author_id": author, **_content(document)}
        made = {"version": 1, "created_at": server_now(), "author_name": caller.name}
        await store.insert(connection, store.plan_revisions, row | made)
        revision = await store.revision(connection, revision_id)
        if revision is None:
            raise Conflict(
                f"Plan {document.plan} has a revision {document.revision} already.",
                next_step="Give this one another label, or edit the draft that has it.",
            )
        same_content(revision, {n: v for n, v in row.items() if n != "document"}, f"Revision {revision_id}")
        return await revision_detail(connection, revision)


def _content(document: PlanDocument) -> dict[str, Any]:
    return {"label": document.revision, "document": plain(document), "digest": digest(document)}


async def _plan_of(connection: AsyncConnection, document: PlanDocument) -> Row:
    """The plan a document is a revision of; raises Invalid where document and library do not agree."""
    plan = await store.plan_by_code(connection, document.plan)
    if plan is None:
        raise _disagrees(
            "/plan", f"There is no plan {document.plan} in the library.", "Record the plan first."
        )
    if plan["equipment_type"] != document.equipment_type:
        fault = f"Plan {document.plan} is for type {plan['equipment_type']}, not {document.equipment_type}."
        raise _disagrees("/equipmentType", fault, "Correct the document.")
    known = {build["code"] for build in await store.builds_of(connection, [plan["type_id"]])}
    for number, build in enumerate(document.builds):
        if build not in known:
            fault = f"Type {document.equipment_type} has no build {build}."
            raise _disagrees(f"/builds/{number}", fault, "Record the build first, or correct the document.")
    return plan


def _disagrees(path: str, fault: str, next_step: str) -> Invalid:
    return Invalid(
        fault,
        consequence="No revision was changed.",
        next_step=next_step,
        errors=[ProblemError(detail=fault, path=path)],
    )


async def edit_draft(
    db: Database, caller: Caller, revision_id: UUID, checked: Checked, match: Callable[[str], None]
) -> RevisionDetail:
    """Replace the document of a draft. Only its author may do that, so that nobody approves his own words.

    `match` is called with the entity tag of the document as it stands and raises where the caller has
    read another one. A repeated edit gets the same answer. Raises NotFound,
    NotAllowed, Invalid, or Conflict (the revision is no draft any more, I10).
    """
    caller.must(Act.WRITE_PLAN)
    author, document = caller.person(), accepted(checked)
    async with db.begin() as connection:
        revision = await locked_revision(connection, revision_id)
        if revision["author_id"] != author:
            raise NotAllowed(
                f"Revision {revision['label']} of plan {revision['plan']} is {revision['author']}'s to edit.",
                next_step="Send the changes to the author, or draft a further revision.",
            )
        content = _content(document)
        if revision["digest"] != content["digest"]:
            await _may_edit(connection, revision, document)
            match(document_tag(revision["digest"]))
            if not await store.update_draft(connection, revision_id, **content):
                raise _fixed(revision)
        return await revision_detail(connection, await locked_revision(connection, revision_id))


async def _may_edit(connection: AsyncConnection, revision: Row, document: PlanDocument) -> None:
    events = (await store.events_of_plan(connection, revision["plan_id"]))[revision["id"]]
    if not rules.editable(events):
        raise _fixed(revision)
    plan = await _plan_of(connection, document)
    if plan["id"] != revision["plan_id"]:
        raise _disagrees("/plan", f"The draft belongs to plan {revision['plan']}.", "Correct the document.")
    if await store.label_taken(connection, revision["plan_id"], document.revision, revision["id"]):
        raise Conflict(
            f"Plan {revision['plan']} has a revision {document.revision} already.",
            next_step="Give this one another label.",
        )


def _fixed(revision: Row) -> Conflict:
    return Conflict(
        f"Revision {revision['label']} of plan {revision['plan']} is no draft any more; it does not change.",
        next_step="Draft a further revision with the change.",
    )


def document_tag(digest: str) -> str:
    """The entity tag of a document: its SHA-256."""
    return f'"{digest}"'


async def locked_revision(connection: AsyncConnection, revision_id: UUID) -> Row:
    revision = await store.revision(connection, revision_id, lock=True)
    if revision is None:
        raise store.no_revision(revision_id)
    return revision


async def list_revisions(
    db: Database,
    caller: Caller,
    plan: str,
    site: str | None,
    after: tuple[datetime, UUID] | None,
    limit: int,
) -> list[Revision]:
    """Revisions of a plan, the newest first; raises NotFound."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        plan_id = (await known_plan(connection, plan))["id"]
        folds = await store.folds_of_plan(connection, plan_id)
        rows = await store.revisions_after(connection, plan_id, after, limit)
        now = server_now()
        return [Revision(**_fields(row, folds, now, site)) for row in rows]


def _fields(
    row: Row, folds: Mapping[UUID, rules.FoldedRevision], now: datetime, site: str | None
) -> dict[str, Any]:
    in_force = [
        Publication(
            effective_from=publication.effective_from,
            sites=None if publication.sites is None else sorted(publication.sites),
        )
        for publication in folds[row["id"]].publications
    ]
    return {
        "id": row["id"],
        "plan": row["plan"],
        "label": row["label"],
        "state": rules.state_of(row["id"], folds, now, site),
        "digest": row["digest"],
        "version": row["version"],
        "author": row["author"],
        "created_at": row["created_at"],
        "publications": sorted(
            in_force, key=lambda publication: (publication.effective_from, publication.sites or [])
        ),
    }


async def read_revision(
    db: Database, caller: Caller, revision_id: UUID, site: str | None = None
) -> RevisionDetail:
    """A revision with its events, its state now (at a site); raises NotFound."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        revision = await store.revision(connection, revision_id)
        if revision is None:
            raise store.no_revision(revision_id)
        return await revision_detail(connection, revision, site)


async def revision_detail(connection: AsyncConnection, row: Row, site: str | None = None) -> RevisionDetail:
    folds = await store.folds_of_plan(connection, row["plan_id"])
    events = [
        RevisionEvent(
            id=event["id"],
            kind=event["kind"],
            replaces=event["replaces"],
            note=event["note"],
            effective_from=event["effective_from"],
            sites=event["sites"],
            by=event["by"],
            recorded_at=event["recorded_at"],
        )
        for event in await store.event_rows(connection, row["id"])
    ]
    fields = _fields(row, folds, server_now(), site)
    return RevisionDetail(**fields, heads=list(folds[row["id"]].heads), events=events)


async def read_document(db: Database, caller: Caller, revision_id: UUID) -> PlanDocument:
    """The document of a revision; raises NotFound."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        return await store.revision_document(connection, revision_id)


async def read_applicability(
    db: Database, caller: Caller, revision_id: UUID, build: str
) -> list[ApplicableLocation]:
    """Every location in job order and whether the build has it (I11); raises NotFound, or Invalid where
    the plan does not cover the build."""
    document = await read_document(db, caller, revision_id)
    try:
        applicable = rules.applicability(document, build)
    except rules.BuildNotCovered as error:
        builds = ", ".join(document.builds)
        raise Invalid(str(error), next_step=f"Ask for one of its builds: {builds}.") from error
    return [
        ApplicableLocation(
            key=location.key, name=location.name, section=section.name, applicable=applicable[location.key]
        )
        for section in document.sections
        for location in section.locations
    ]


async def read_difference(db: Database, caller: Caller, before: UUID, after: UUID) -> Difference:
    """What the revision `after` changes of `before`; raises NotFound, or Invalid for two plans."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        old = await store.revision_document(connection, before)
        new = await store.revision_document(connection, after)
    if old.plan != new.plan:
        raise Invalid(
            f"The revisions belong to two plans, {old.plan} and {new.plan}.",
            next_step="Compare two revisions of one plan.",
        )
    return await asyncio.to_thread(difference.difference, old, new)

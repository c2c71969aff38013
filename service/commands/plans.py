"""Standard plans: `plan check`, and `plan submit`, `approve`, `publish`, each by the person who does it.

Nobody approves what he wrote or submitted, here as everywhere: a second person gives a password.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.commands.opening import NOT_SET_UP, REFUSED, found, stop
from service.commands.passwords import As, PasswordFile, PasswordStdin, person_at_hand
from service.contract.plans import EventKind, PlanIn, Revision, RevisionDetail, RevisionEventIn
from service.contract.wire import new_id
from service.errors import Conflict, NotFound

if TYPE_CHECKING:
    from service.access.rules import Caller
    from service.contract.plan_document import PlanDocument
    from service.database import Database
    from service.plans.document import Checked

Document = Annotated[Path, typer.Argument(metavar="FILE", help="a plan document, YAML or JSON")]
PlanCode = Annotated[str, typer.Argument(metavar="PLAN", help="the plan's code")]
Label = Annotated[str, typer.Argument(metavar="REVISION", help="the revision's label")]


def check(file: Document) -> None:
    """Say of every error in FILE where it stands and what to do. Needs no database."""
    _, document = _checked(file)
    typer.echo(f"{file}: revision {document.revision} of plan {document.plan} is well formed.")


def _checked(file: Path) -> tuple[Checked, PlanDocument]:
    from service.plans.document import check_file

    try:
        checked = check_file(file)
    except OSError as error:
        stop(f"{file} cannot be read: {error.strerror}.", NOT_SET_UP)
    if checked.findings:
        typer.echo(checked.text())
    if checked.document is None:
        raise typer.Exit(REFUSED)
    return checked, checked.document


def submit(
    file: Document, by: As, password_file: PasswordFile = None, password_stdin: PasswordStdin = False
) -> None:
    """Record FILE as a draft revision of its plan and submit it for review, as its author.

    The plan is recorded too where it is not yet. The same again changes nothing; an edited draft of one's
    own is replaced.
    """
    checked, document = _checked(file)
    person = person_at_hand(by, password_file, password_stdin)
    detail = person.does(lambda db, caller: _submit(db, caller, checked, document))
    _tell(detail, "Another person, an approver, goes on: sightledger plan approve")


async def _submit(db: Database, caller: Caller, checked: Checked, document: PlanDocument) -> RevisionDetail:
    from service.plans.actions import catalogue, revisions

    if await found(catalogue.read_plan(db, caller, document.plan)) is None:
        new_plan = PlanIn(id=new_id(), title=document.title, equipment_type=document.equipment_type)
        await catalogue.put_plan(db, caller, document.plan, new_plan)
    known = await _labelled(db, caller, document.plan, document.revision)
    if known is None:
        detail = await revisions.create_draft(db, caller, new_id(), checked)
    else:
        # The draft was read just now: whoever edits by a command means what stands in the file.
        detail = await revisions.edit_draft(db, caller, known.id, checked, lambda _tag: None)
    return await _step(db, caller, detail, "submitted") if detail.state == "draft" else detail


def approve(
    plan: PlanCode,
    revision: Label,
    by: As,
    password_file: PasswordFile = None,
    password_stdin: PasswordStdin = False,
) -> None:
    """Approve a submitted revision, as a second person."""

    async def deed(db: Database, caller: Caller) -> RevisionDetail:
        detail = await _revision(db, caller, plan, revision)
        if any(event.kind == "approved" for event in detail.events) and detail.state in _AFTER_APPROVAL:
            return detail
        if detail.state == "draft":
            raise Conflict(
                f"Revision {revision} of plan {plan} is a draft: nobody has submitted it.",
                next_step="Its author submits it: sightledger plan submit FILE --as LOGIN",
            )
        return await _step(db, caller, detail, "approved")

    detail = person_at_hand(by, password_file, password_stdin).does(deed)
    _tell(detail, "It is worked to once it is published: sightledger plan publish")


_AFTER_APPROVAL = {"approved", "effective", "superseded"}


def publish(
    plan: PlanCode,
    revision: Label,
    by: As,
    since: Annotated[
        datetime | None,
        typer.Option("--from", formats=["%Y-%m-%d", "%Y-%m-%dT%H:%M:%S"], help="UTC; default: now"),
    ] = None,
    site: Annotated[list[str] | None, typer.Option(help="a site's code; none given: every site")] = None,
    password_file: PasswordFile = None,
    password_stdin: PasswordStdin = False,
) -> None:
    """Publish an approved revision: from then on campaigns are opened by it. The same again adds nothing."""

    async def deed(db: Database, caller: Caller) -> RevisionDetail:
        detail = await _revision(db, caller, plan, revision)
        site_codes = sorted(set(site)) if site else None
        start = None if since is None else since.replace(tzinfo=UTC)
        for known in detail.publications:
            if known.sites == site_codes and start in (None, known.effective_from):
                return detail
        if detail.state in ("draft", "in_review"):
            raise Conflict(
                f"Revision {revision} of plan {plan} is {_state(detail)}: nobody has approved it.",
                next_step="Another person approves it: "
                f"sightledger plan approve {plan} {revision} --as LOGIN",
            )
        start = start or datetime.now(UTC)
        return await _step(db, caller, detail, "published", effective_from=start, sites=site_codes)

    detail = person_at_hand(by, password_file, password_stdin).does(deed)
    _tell(detail, "")


async def _step(
    db: Database,
    caller: Caller,
    detail: RevisionDetail,
    kind: EventKind,
    *,
    effective_from: datetime | None = None,
    sites: list[str] | None = None,
) -> RevisionDetail:
    from service.plans.actions import transitions

    event = RevisionEventIn(
        id=new_id(), kind=kind, replaces=detail.heads, effective_from=effective_from, sites=sites
    )
    return await transitions.record_event(db, caller, detail.id, event)


async def _labelled(db: Database, caller: Caller, plan: str, label: str) -> Revision | None:
    from service.plans.actions.revisions import list_revisions

    after = None
    while page := await list_revisions(db, caller, plan, None, after, 100):
        for detail in page:
            if detail.label == label:
                return detail
        after = (page[-1].created_at, page[-1].id)
    return None


async def _revision(db: Database, caller: Caller, plan: str, label: str) -> RevisionDetail:
    from service.plans.actions.revisions import read_revision

    known = await _labelled(db, caller, plan, label)
    if known is None:
        raise NotFound(f"Plan {plan} has no revision {label}.", next_step="Submit it first.")
    return await read_revision(db, caller, known.id)


def _tell(detail: RevisionDetail, further: str) -> None:
    typer.echo(f"Revision {detail.label} of plan {detail.plan}: {_state(detail)}.", err=True)
    if further and detail.state != "effective":
        typer.echo(f"{further} {detail.plan} {detail.label} --as LOGIN", err=True)


def _state(detail: RevisionDetail) -> str:
    return detail.state.replace("_", " ")

"""The part of a card return's page where a person deals with statements that were not taken."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from litestar import post
from litestar.di import NamedDependency
from litestar.params import FromPath
from litestar.response import Redirect

from service.access.rules import Act, Caller
from service.contract.cards import RecordedReturn, RefusalSettledIn, RefusedStatement
from service.contract.wire import new_id
from service.database import Database
from service.http import AnyRequest
from service.intake.actions.refused import settle_refused
from service.intake.actions.returns import read_return
from service.plans import vocabulary
from service.web.asked import filled_in, sent_form

KINDS = [("complete", "complete"), ("not_inspected", "not inspected"), ("reopened", "reopened")]


def still_open(refused: Sequence[RefusedStatement]) -> list[RefusedStatement]:
    return [statement for statement in refused if statement.settled is None]


def shown(back: RecordedReturn, caller: Caller) -> dict[str, Any]:
    """What the template needs of a card return's refused statements."""
    reasons = vocabulary.term_lists()["not_inspected_reason"].terms
    return {
        "refused": back.refused,
        "refused_open": still_open(back.refused),
        "may_state": caller.may(Act.STATE) and caller.account_id is not None,
        "kinds": KINDS,
        "reasons": [(f"not_inspected_reason:{term.code}", term.term) for term in reasons],
        "ids": {statement.id: (new_id(), new_id()) for statement in back.refused},
    }


@post("/card-returns/{return_id:uuid}/refused/{refused_id:uuid}", name="page_refused", status_code=200)
async def settled(
    request: AnyRequest,
    return_id: FromPath[UUID],
    refused_id: FromPath[UUID],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> Redirect:
    """State anew what was refused, or dismiss it."""
    fields = dict(await sent_form(request))
    back = await read_return(db, caller, return_id)
    refusal = next((statement for statement in back.refused if statement.id == refused_id), None)
    settlement: dict[str, Any] = {"id": fields.get("settlement"), "reason": fields.get("why", "").strip()}
    if refusal is not None and "statement" in fields:
        settlement["statement"] = _statement(fields, refusal)
    decision = filled_in(
        RefusalSettledIn,
        settlement,
        consequence="Nothing was stated or dismissed.",
        next_step="Go back, and say why in three characters or more.",
    )
    await settle_refused(db, caller, return_id, refused_id, decision)
    return Redirect(f"/card-returns/{return_id}/open?dealt=1#refused", status_code=303)


def _statement(fields: Mapping[str, str], refusal: RefusedStatement) -> dict[str, Any]:
    """The statement made in place of the refused one; it replaces what that one was to replace."""
    kind, reason = fields.get("kind", ""), fields.get("reason", "")
    keys = fields.get("locations", "").replace(",", " ").split()
    return {
        "id": fields["statement"],
        "inspectionId": str(refusal.statement.inspection_id),
        "kind": kind,
        "locations": keys or None,
        "replaces": [str(known) for known in refusal.statement.replaces],
        "reason": reason or None if kind == "not_inspected" else None,
        "note": refusal.statement.note,
        "statedBy": fields.get("speaker", "").strip() or None,
        "statedAt": refusal.statement.stated_at and refusal.statement.stated_at.isoformat(),
    }


route_handlers = [settled]

"""A statement that came with a card and was not taken: kept with its reason until a person deals with it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.campaigns.actions.stating import TurnedDown, record_statement
from service.contract.cards import RecordedReturn, RefusalSettledIn
from service.contract.wire import new_id
from service.database import Database, storable, storable_json
from service.errors import Conflict, NotAllowed, NotFound
from service.facts.store import append, append_one, same
from service.intake.actions.returns import own_return, recorded_return
from service.intake.store import refused as store


async def keep_refused(
    connection: AsyncConnection, caller: Caller, return_id: UUID, turned: Sequence[TurnedDown], now: datetime
) -> None:
    """Keep the statements turned down at the commit of a card return, each with its reason."""
    facts = [
        {
            "id": new_id(),
            "card_return_id": return_id,
            "inspection_id": refused.statement.inspection_id,
            "statement": storable_json(msgspec.to_builtins(refused.statement)),
            "why": storable(refused.refusal.detail),
            "next_step": storable(refused.refusal.next_step) if refused.refusal.next_step else None,
        }
        for refused in turned
    ]
    await append(connection, store.refused_statements, facts, caller, at=now)


async def settle_refused(
    db: Database, caller: Caller, return_id: UUID, refused_id: UUID, wanted: RefusalSettledIn
) -> RecordedReturn:
    """State something in the place of a refused statement, or dismiss it; returns the card return after that.

    The same request again answers the same (I8). Raises NotFound, NotAllowed (an agent, another site),
    Conflict (somebody dealt with it already), or what refuses the new statement.
    """
    if caller.account_id is None:
        raise NotAllowed("An agent does not settle what was refused: a person does, signed in.")
    async with db.begin() as connection:
        row = await own_return(connection, caller, return_id, Act.STATE, "update")
        if await store.refused(connection, return_id, refused_id) is None:
            raise NotFound(
                f"Card return {return_id} has no refused statement {refused_id}.",
                next_step="Take the id from the card return.",
            )
        if not await _settled_so(connection, refused_id, wanted):
            if wanted.statement is not None:
                await record_statement(connection, caller, wanted.statement)
            fact = {"refused_id": refused_id, **_settlement(wanted)}
            await append_one(connection, store.refusals_settled, fact, caller, f"Settlement {wanted.id}")
            row = await own_return(connection, caller, return_id, Act.STATE)
        return recorded_return(row)


async def _settled_so(connection: AsyncConnection, refused_id: UUID, wanted: RefusalSettledIn) -> bool:
    """True when this very request was carried out before; raises Conflict for another one."""
    done = await store.settlement(connection, refused_id)
    if done is None:
        return False
    if done["id"] != wanted.id or not same(
        store.refusals_settled, done, {"refused_id": refused_id, **_settlement(wanted)}
    ):
        how = "dismissed it" if done["statement_id"] is None else "stated it anew"
        raise Conflict(
            f"{done['by_name']} {how} already: {done['reason']}",
            next_step="Look at the inspection; make a further statement there if something is left to say.",
        )
    return True


def _settlement(wanted: RefusalSettledIn) -> dict[str, Any]:
    statement_id = wanted.statement.id if wanted.statement is not None else None
    return {"id": wanted.id, "statement_id": statement_id, "reason": storable(wanted.reason)}

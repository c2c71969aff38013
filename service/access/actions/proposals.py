"""Changes of accounts that take effect when a second administrator confirms them."""

from __future__ import annotations

from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access import credentials, store
from service.access.actions.passwords import hash_password, must_be_hard_to_guess, one_at_a_time
from service.access.actions.people import (
    checked_scope,
    keep_an_administrator,
    known_account,
    must_keep,
    must_run,
)
from service.access.actions.signing_in import refuse_if_often
from service.access.rules import Act, Caller, Role, within
from service.contract.access import AccountProposal, AccountProposed, Decision
from service.database import Database, Row, serialise, server_now
from service.errors import Conflict, NotAllowed, NotFound


async def propose(
    db: Database, caller: Caller, proposal_id: UUID, content: AccountProposed
) -> AccountProposal:
    """Propose what an account may do, and where, and a one-time password for it. The same again answers how
    the proposal stands."""
    proposer = caller.person()
    must_run(caller, content.sites)
    if content.account == proposer:
        raise NotAllowed("Nobody proposes a change of his own account.")
    async with one_at_a_time(content.account):
        password_hash = await _hash_to_keep(db, caller, content)
        async with db.begin() as connection:
            await serialise(connection, f"proposal {proposal_id}")
            roles, sites = await checked_scope(connection, content.roles, content.sites)
            wanted = {
                "account_id": content.account,
                "proposed_by": proposer,
                "roles": roles,
                "sites": sites,
            }
            must_keep(caller, await known_account(connection, content.account))
            found = await credentials.proposal(connection, proposal_id)
            if found is None:
                row = await _open_account(connection, content.account)
                await _insert(connection, proposal_id, row, wanted, password_hash)
                found = await _known(connection, proposal_id)
            elif any(found[name] != value for name, value in wanted.items()):
                raise Conflict("The same id was given to another proposal.", next_step="Take a new id.")
            return proposal_of(found)


async def _hash_to_keep(db: Database, caller: Caller, content: AccountProposed) -> str | None:
    if content.password is None:
        return None
    async with db.begin() as connection:
        row = await known_account(connection, content.account)
        must_keep(caller, row)
        must_be_hard_to_guess(content.password, row["login"])
        await refuse_if_often(connection, row)
    return await hash_password(content.password)


async def _insert(
    connection: AsyncConnection,
    proposal_id: UUID,
    row: Row,
    wanted: dict[str, object],
    password_hash: str | None,
) -> None:
    await credentials.insert_proposal(
        connection,
        {
            "id": proposal_id,
            **wanted,
            "password_hash": password_hash,
            "roles_before": row["roles"],
            "sites_before": row["sites"],
            "proposed_at": server_now(),
        },
    )
    detail = {"proposal": str(proposal_id), "roles": wanted["roles"], "sites": wanted["sites"]}
    await store.note(
        connection,
        "change_proposed",
        account_id=row["id"],
        by_account_id=wanted["proposed_by"],
        detail={**detail, "password": password_hash is not None},
    )


async def list_proposals(
    db: Database, caller: Caller, before: UUID | None, limit: int
) -> list[AccountProposal]:
    """Proposals at the administrator's sites, the newest id first, decided or not."""
    caller.must(Act.RUN_SITE)
    async with db.begin() as connection:
        rows = await credentials.proposal_page(connection, before, limit, caller.sites)
        return [proposal_of(row) for row in rows]


async def decide(db: Database, caller: Caller, proposal_id: UUID, decision: Decision) -> AccountProposal:
    """Confirm or refuse another's proposal, or withdraw one's own. The same again changes nothing."""
    decider = caller.person()
    caller.must(Act.RUN_SITE)
    async with db.begin() as connection:
        found = await _known(connection, proposal_id, lock=True)
        must_run(caller, found["sites"])
        must_run(caller, found["sites_before"])
        if found["decision"] is not None:
            if (found["decision"], found["decided_by"]) != (decision, decider):
                raise Conflict(f"The proposal was {found['decision']} already.")
            return proposal_of(found)
        _must_be_meant(found, decider, decision)
        if decision == "confirmed":
            await _take_effect(connection, found, decider)
        await credentials.update_proposal(
            connection, proposal_id, decision=decision, decided_by=decider, decided_at=server_now()
        )
        await store.note(
            connection,
            f"change_{decision}",
            account_id=found["account_id"],
            by_account_id=decider,
            detail={"proposal": str(proposal_id), "roles": found["roles"], "sites": found["sites"]},
        )
        return proposal_of(await _known(connection, proposal_id))


def _must_be_meant(found: Row, decider: UUID, decision: Decision) -> None:
    own = found["proposed_by"] == decider
    if decision == "withdrawn" and not own:
        raise NotAllowed("Only who proposed it withdraws it.", next_step="Refuse it instead.")
    if decision == "confirmed" and own:
        raise NotAllowed(
            "Nobody confirms what he proposed himself.",
            next_step="Ask another administrator of the same sites.",
        )
    if decision != "withdrawn" and found["account_id"] == decider:
        raise NotAllowed("Nobody decides about his own account.")


async def _take_effect(connection: AsyncConnection, found: Row, decider: UUID) -> None:
    row = await _open_account(connection, found["account_id"])
    if (row["roles"], row["sites"]) != (found["roles_before"], found["sites_before"]):
        raise Conflict(
            "The account was changed after this was proposed.",
            next_step="Refuse the proposal, and propose anew what is wanted now.",
        )
    proposer = await known_account(connection, found["proposed_by"])
    reach = within(found["sites"], proposer["sites"]) and Role.ADMINISTRATOR in proposer["roles"]
    if proposer["closed_at"] or not reach:
        raise Conflict(
            "Who proposed it is no longer an administrator of these sites.", next_step="Propose it anew."
        )
    await keep_an_administrator(connection, row, found["roles"], found["sites"])
    changed = {"roles": found["roles"], "sites": found["sites"]}
    if found["password_hash"] is not None:
        changed |= {
            "password_hash": found["password_hash"],
            "reset_at": server_now(),
            "reset_by": found["proposed_by"],
        }
        await credentials.revoke_tokens(connection, account_id=row["id"])
    await store.update_account(connection, row["id"], **changed)


async def _open_account(connection: AsyncConnection, account_id: UUID) -> Row:
    row = await known_account(connection, account_id)
    if row["closed_at"]:
        raise Conflict("The account is closed.", next_step="Make a new account.")
    return row


async def _known(connection: AsyncConnection, proposal_id: UUID, *, lock: bool = False) -> Row:
    found = await credentials.proposal(connection, proposal_id, lock=lock)
    if found is None:
        raise NotFound(
            f"There is no proposal {proposal_id}.", next_step="Take an id of GET /api/v1/account-proposals."
        )
    return found


def proposal_of(row: Row) -> AccountProposal:
    return AccountProposal(
        id=row["id"],
        account_id=row["account_id"],
        login=row["login"],
        name=row["name"],
        roles_before=row["roles_before"],
        sites_before=row["sites_before"],
        roles=row["roles"],
        sites=row["sites"],
        new_password=row["password_hash"] is not None,
        proposed_by=row["proposer"],
        proposed_at=row["proposed_at"],
        decision=row["decision"],
        decided_by=row["decider"],
        decided_at=row["decided_at"],
    )

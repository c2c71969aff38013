"""Use cases of enrolment codes and agents."""

from __future__ import annotations

import secrets
from datetime import timedelta
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access import credentials, store
from service.access.actions.tokens import hash_of, new_token
from service.access.rules import CODE_ALPHABET, Act, Caller, plain_code
from service.contract.access import (
    AgentEnrolled,
    AgentReport,
    AgentToken,
    EnrolAgent,
    EnrolledAgent,
    EnrolmentCode,
    JwkSet,
    NewCode,
)
from service.contract.wire import new_id
from service.database import Database, Row, server_now
from service.errors import Conflict, NotAllowed, NotFound


async def make_code(db: Database, caller: Caller, new_code: NewCode) -> EnrolmentCode:
    """A new one-time code. It is not repeatable: a lost answer leaves an unused code that expires."""
    caller.must(Act.RUN_SITE, new_code.site)
    async with db.begin() as connection:
        return await issue_code(connection, new_code, by=caller.account_id)


async def issue_code(connection: AsyncConnection, new_code: NewCode, *, by: UUID | None) -> EnrolmentCode:
    """Issue a code; the command line calls this too, as it needs no caller."""
    site = await store.known_site(connection, new_code.site)
    code = "-".join("".join(secrets.choice(CODE_ALPHABET) for _ in range(5)) for _ in range(5))
    now = server_now()
    row = {
        "id": new_id(),
        "code_hash": hash_of(plain_code(code)),
        "site_id": site["id"],
        "created_at": now,
        "expires_at": now + timedelta(hours=new_code.hours),
    }
    await store.insert_code(connection, row)
    await store.note(
        connection, "code_made", site_id=site["id"], by_account_id=by, detail={"code_id": str(row["id"])}
    )
    return EnrolmentCode(code=code, site=site["code"], expires_at=row["expires_at"])


async def enrol(db: Database, keys: JwkSet, enrolment: EnrolAgent, token_days: int) -> AgentEnrolled:
    """Enrol a workstation with a one-time code; whoever holds the code is the caller.

    A repeated request (I8) gets a fresh token and ends the one before, because no token is kept
    readable. That works only until the code expires or the agent reports with its token, so that a used
    code does not stay a second key.
    """
    async with db.begin() as connection:
        code = await store.lock_code(connection, hash_of(plain_code(enrolment.code)))
        if code is None:
            raise NotAllowed("The enrolment code is not known.", next_step="Check it, or ask for a new one.")
        if code["expires_at"] <= server_now():
            raise NotAllowed("The enrolment code has expired.", next_step="Ask for a new one.")
        if code["used_at"] is None:
            await _first_enrolment(connection, code, enrolment)
        else:
            await _repeated_enrolment(connection, code, enrolment)
        token = (await _new_token(connection, enrolment.id, token_days)).token
    return AgentEnrolled(
        id=enrolment.id,
        site=code["site"],
        site_name=code["site_name"],
        time_zone=code["time_zone"],
        token=token,
        keys=keys,
    )


async def renew_token(db: Database, caller: Caller, agent_id: UUID, token_days: int) -> AgentToken:
    """A further token, asked for with one that is good. Nothing ends before the new one was used, so that a
    lost answer costs nothing: ask again."""
    if caller.agent_id != agent_id:
        raise NotAllowed("Only the agent itself renews its token.")
    async with db.begin() as connection:
        made = await _new_token(connection, agent_id, token_days)
        await store.note(connection, "token_renewed", agent_id=agent_id)
    return made


async def _new_token(connection: AsyncConnection, agent_id: UUID, days: int) -> AgentToken:
    token, expires_at = new_token("sla"), server_now() + timedelta(days=days)
    await credentials.insert_token(connection, hash_of(token), agent_id=agent_id, expires_at=expires_at)
    return AgentToken(token=token, expires_at=expires_at)


async def _first_enrolment(connection: AsyncConnection, code: Row, enrolment: EnrolAgent) -> None:
    row = {
        "id": enrolment.id,
        "site_id": code["site_id"],
        "name": enrolment.name,
        "platform": enrolment.platform,
        "version": enrolment.version,
        "enrolled_at": server_now(),
    }
    if not await store.insert_agent(connection, row):
        raise Conflict(
            f"The agent id {enrolment.id} is enrolled already.",
            next_step="Enrol under a new id; ids are made once.",
        )
    await store.use_code(connection, code["id"], enrolment.id)
    detail = {"code_id": str(code["id"]), "name": enrolment.name}
    await store.note(
        connection, "agent_enrolled", agent_id=enrolment.id, site_id=code["site_id"], detail=detail
    )


async def _repeated_enrolment(connection: AsyncConnection, code: Row, enrolment: EnrolAgent) -> None:
    if code["agent_id"] != enrolment.id:
        raise NotAllowed(
            "The enrolment code has been used by another workstation.",
            next_step="Ask an administrator for a new one. If nobody of you used it, tell him so.",
        )
    agent = await store.agent(connection, enrolment.id)
    assert agent is not None
    if agent["retired_at"] or agent["last_seen_at"]:
        raise NotAllowed(
            "This workstation has enrolled and worked since; its code is spent.",
            next_step="Use the token it holds, or ask for a new code and enrol under a new id.",
        )
    if (agent["name"], agent["platform"], agent["version"]) != (
        enrolment.name,
        enrolment.platform,
        enrolment.version,
    ):
        raise Conflict("The same enrolment was sent before with another name, platform or version.")
    await credentials.revoke_tokens(connection, agent_id=enrolment.id)
    await store.note(connection, "token_issued_again", agent_id=enrolment.id, site_id=code["site_id"])


async def report(db: Database, caller: Caller, agent_id: UUID, sent: AgentReport) -> EnrolledAgent:
    """Keep what an agent says of itself, and how far its clock is from ours (agent minus service)."""
    if caller.agent_id != agent_id:
        raise NotAllowed("Only the agent itself reports its state.")
    now = server_now()
    async with db.begin() as connection:
        await store.update_agent(
            connection,
            agent_id,
            last_seen_at=now,
            version=sent.version,
            platform=sent.platform,
            report=msgspec.to_builtins(sent),
            clock_offset_s=(sent.clock - now).total_seconds(),
        )
        return await _enrolled(connection, agent_id)


async def retire(db: Database, caller: Caller, agent_id: UUID) -> EnrolledAgent:
    """End an agent: its tokens are refused from now on; what it brought stays. Repeating changes nothing."""
    caller.must(Act.RUN_SITE)
    async with db.begin() as connection:
        agent = await _enrolled(connection, agent_id)
        if not caller.at(agent.site):
            raise _no_agent(agent_id)
        row = await store.agent(connection, agent_id)
        assert row is not None
        if row["retired_at"] is None:
            await store.update_agent(connection, agent_id, retired_at=server_now())
            await credentials.revoke_tokens(connection, agent_id=agent_id)
            await store.note(connection, "agent_retired", agent_id=agent_id, by_account_id=caller.account_id)
    return agent


async def list_agents(
    db: Database, caller: Caller, after: tuple[str, str, UUID] | None, limit: int
) -> list[EnrolledAgent]:
    """Agents in service at the caller's sites, by site and name."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        return [_agent_of(row) for row in await store.agent_page(connection, after, limit, caller.sites)]


async def _enrolled(connection: AsyncConnection, agent_id: UUID) -> EnrolledAgent:
    row = await store.agent(connection, agent_id)
    if row is None:
        raise _no_agent(agent_id)
    return _agent_of(row)


def _no_agent(agent_id: UUID) -> NotFound:
    return NotFound(f"There is no agent {agent_id}.", next_step="Take an id of GET /api/v1/agents.")


def _agent_of(row: Row) -> EnrolledAgent:
    return EnrolledAgent(
        id=row["id"],
        name=row["name"],
        site=row["site"],
        enrolled_at=row["enrolled_at"],
        last_seen_at=row["last_seen_at"],
        report=None if row["report"] is None else msgspec.convert(row["report"], AgentReport),
        clock_offset_s=row["clock_offset_s"],
    )

"""SQL of what callers prove themselves with: tokens, known devices and tries to sign in; and of changes that
two administrators make."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import (
    MOST_DEVICES,
    access_events,
    account_proposals,
    accounts,
    agents,
    devices,
    sites,
    tokens,
)
from service.contract.wire import new_id
from service.database import Row, server_now


async def token_holder(connection: AsyncConnection, token_hash: bytes) -> Row | None:
    """The person or agent behind a token, with what decides whether it still counts."""
    query = (
        sa.select(
            tokens.c.id.label("token_id"),
            tokens.c.expires_at,
            tokens.c.revoked_at,
            tokens.c.used_at,
            tokens.c.created_at,
            tokens.c.account_id,
            tokens.c.agent_id,
            sa.func.coalesce(accounts.c.name, agents.c.name).label("name"),
            accounts.c.roles,
            accounts.c.sites,
            accounts.c.reset_at,
            sites.c.code.label("agent_site"),
            sa.func.coalesce(accounts.c.closed_at, agents.c.retired_at).label("ended_at"),
        )
        .select_from(tokens)
        .outerjoin(accounts, accounts.c.id == tokens.c.account_id)
        .outerjoin(agents, agents.c.id == tokens.c.agent_id)
        .outerjoin(sites, sites.c.id == agents.c.site_id)
        .where(tokens.c.token_hash == token_hash)
    )
    return (await connection.execute(query)).mappings().first()


async def insert_token(
    connection: AsyncConnection,
    token_hash: bytes,
    *,
    account_id: UUID | None = None,
    agent_id: UUID | None = None,
    expires_at: datetime | None = None,
) -> None:
    await connection.execute(
        sa.insert(tokens).values(
            id=new_id(),
            token_hash=token_hash,
            account_id=account_id,
            agent_id=agent_id,
            created_at=server_now(),
            expires_at=expires_at,
        )
    )


async def note_use(connection: AsyncConnection, token_id: UUID) -> None:
    await connection.execute(sa.update(tokens).where(tokens.c.id == token_id).values(used_at=server_now()))


async def end_agent_tokens_before(
    connection: AsyncConnection, agent_id: UUID, created_at: datetime, end: datetime
) -> None:
    """Let the tokens that an agent was given before `created_at` end at `end`, if they do not before."""
    of = tokens.c
    query = sa.update(tokens).where(of.agent_id == agent_id, of.created_at < created_at)
    await connection.execute(query.values(expires_at=sa.func.least(of.expires_at, end)))


async def sessions_of(connection: AsyncConnection, account_id: UUID) -> list[Row]:
    """The sessions of an account that still count, the newest first."""
    of = tokens.c
    query = (
        sa.select(of.id, of.created_at, of.used_at, of.expires_at)
        .where(of.account_id == account_id, of.revoked_at.is_(None))
        .where(sa.or_(of.expires_at.is_(None), of.expires_at > server_now()))
        .order_by(of.id.desc())
    )
    return list((await connection.execute(query)).mappings())


async def revoke_tokens(
    connection: AsyncConnection,
    *,
    account_id: UUID | None = None,
    agent_id: UUID | None = None,
    token_id: UUID | None = None,
    but: UUID | None = None,
) -> None:
    """Revoke the tokens of one holder, or the one named; `but` stays good."""
    named = {"account_id": account_id, "agent_id": agent_id, "id": token_id}
    which = [tokens.c[column] == value for column, value in named.items() if value is not None]
    query = (
        sa.update(tokens).where(sa.or_(*which), tokens.c.revoked_at.is_(None)).values(revoked_at=server_now())
    )
    await connection.execute(query if but is None else query.where(tokens.c.id != but))


async def insert_proposal(connection: AsyncConnection, row: Mapping[str, Any]) -> None:
    await connection.execute(sa.insert(account_proposals).values(**row))


async def update_proposal(connection: AsyncConnection, proposal_id: UUID, **changed: Any) -> None:
    query = sa.update(account_proposals).where(account_proposals.c.id == proposal_id)
    await connection.execute(query.values(**changed))


_proposer, _decider = accounts.alias("proposer"), accounts.alias("decider")


_proposals = (
    sa.select(
        account_proposals,
        accounts.c.login,
        accounts.c.name,
        _proposer.c.name.label("proposer"),
        _decider.c.name.label("decider"),
    )
    .join(accounts, accounts.c.id == account_proposals.c.account_id)
    .join(_proposer, _proposer.c.id == account_proposals.c.proposed_by)
    .outerjoin(_decider, _decider.c.id == account_proposals.c.decided_by)
)


async def proposal(connection: AsyncConnection, proposal_id: UUID, *, lock: bool = False) -> Row | None:
    query = _proposals.where(account_proposals.c.id == proposal_id)
    found = await connection.execute(query.with_for_update(of=account_proposals) if lock else query)
    return found.mappings().first()


async def proposal_page(
    connection: AsyncConnection, before: UUID | None, limit: int, at: Iterable[str] | None
) -> list[Row]:
    """Proposals, the newest id first; `at` keeps those about these sites alone."""
    query = _proposals.order_by(account_proposals.c.id.desc()).limit(limit)
    if before is not None:
        query = query.where(account_proposals.c.id < before)
    if at is not None:
        reach = list(at)
        query = query.where(account_proposals.c.sites.contained_by(reach))
        query = query.where(account_proposals.c.sites_before.contained_by(reach))
    return list((await connection.execute(query)).mappings())


_TRIED, _SIGNED_IN = access_events.c.kind == "sign_in_tried", access_events.c.kind == "signed_in"


Tries = tuple[int, datetime | None]


async def tries_since_success(
    connection: AsyncConnection,
    since: datetime,
    *,
    login_hash: bytes | None = None,
    device_hash: bytes | None = None,
) -> Tries:
    """How often sign-in was tried since `since` and the last success, and when last: from a device, or with a
    login from devices that are not known."""
    of = access_events.c
    mine = of.device_hash == device_hash if login_hash is None else of.login_hash == login_hash
    if login_hash is not None:
        mine &= of.device_hash.is_(None)
    success = sa.select(sa.func.max(of.at)).where(mine, _SIGNED_IN).scalar_subquery()
    query = (
        sa.select(sa.func.count(), sa.func.max(of.at))
        .where(mine, _TRIED, of.at > since)
        .where(sa.or_(success.is_(None), of.at > success))
    )
    many, last = (await connection.execute(query)).one()
    return many, last


async def failures_from(connection: AsyncConnection, network_hash: bytes, since: datetime) -> Tries:
    """How many tries from a network address failed since `since`, those of known devices left out, and when
    it last tried. A success takes away its own try and no other: an account of one's own is no eraser."""
    of = access_events.c
    tried, signed_in = sa.func.count().filter(_TRIED), sa.func.count().filter(_SIGNED_IN)
    query = sa.select(tried - signed_in, sa.func.max(of.at).filter(_TRIED)).where(
        of.network_hash == network_hash, of.device_hash.is_(None), of.at > since
    )
    many, last = (await connection.execute(query)).one()
    return many, last


async def times_noted(connection: AsyncConnection, kind: str, account_id: UUID, since: datetime) -> Tries:
    """How often something happened to an account since `since`, and when last."""
    of = access_events.c
    query = sa.select(sa.func.count(), sa.func.max(of.at)).where(
        of.kind == kind, of.account_id == account_id, of.at > since
    )
    many, last = (await connection.execute(query)).one()
    return many, last


async def knows_device(
    connection: AsyncConnection, account_id: UUID, device_hash: bytes | None, since: datetime
) -> bool:
    """Whether the account was signed in to from this device, which was given its mark after `since`."""
    if device_hash is None:
        return False
    of = devices.c
    query = sa.select(of.id).where(
        of.token_hash == device_hash, of.account_id == account_id, of.created_at > since
    )
    return (await connection.scalar(query)) is not None


async def delete_devices(connection: AsyncConnection, account_id: UUID) -> None:
    await connection.execute(sa.delete(devices).where(devices.c.account_id == account_id))


async def insert_device(connection: AsyncConnection, device_hash: bytes, account_id: UUID) -> None:
    """Keep a device of an account, and of older ones the newest."""
    of = devices.c
    row = {"id": new_id(), "token_hash": device_hash, "account_id": account_id, "created_at": server_now()}
    await connection.execute(sa.insert(devices).values(**row))
    older = sa.select(of.id).where(of.account_id == account_id).order_by(of.id.desc()).offset(MOST_DEVICES)
    await connection.execute(sa.delete(devices).where(of.id.in_(older.scalar_subquery())))

"""Tokens, and who holds one."""

from __future__ import annotations

import hashlib
import secrets
from datetime import timedelta

import structlog
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access import credentials, store
from service.access.rules import OPERATOR, Caller, Role
from service.contract.access import PasswordReset
from service.database import Database, Row, server_now
from service.errors import NotSignedIn, PasswordWasReset

# An agent's token is good for so long after a newer one was first used: a push may be under way with it.
LAST_DAYS = 7

_log = structlog.get_logger("service.access.tokens")


def new_token(prefix: str) -> str:
    """A token of 256 random bits; the prefix lets a secret scanner recognise it."""
    return f"{prefix}_{secrets.token_urlsafe(32)}"


def hash_of(secret: str) -> bytes:
    return hashlib.sha256(secret.encode("utf-8", "replace")).digest()


async def caller_of_token(db: Database, token: str, idle: timedelta | None = None) -> Caller:
    """Who holds `token`; raises NotSignedIn when it is unknown, expired or revoked, its holder left, or a
    person did not use it for as long as `idle`."""
    async with db.begin() as connection:
        row = await credentials.token_holder(connection, hash_of(token))
    if row is None or row["revoked_at"] or row["ended_at"]:
        raise NotSignedIn("The token is not valid.", next_step="Sign in, or enrol the workstation again.")
    if row["expires_at"] and row["expires_at"] <= server_now():
        raise NotSignedIn("The session has ended.", next_step="Sign in again.")
    unused = server_now() - (row["used_at"] or row["created_at"])
    if row["account_id"] and idle is not None and unused > idle:
        raise NotSignedIn("The session was not used for long and has ended.", next_step="Sign in again.")
    if row["used_at"] is None or unused > timedelta(seconds=store.USED_SECONDS):
        await _note_use(db, row)
    if row["agent_id"]:
        sites = frozenset({row["agent_site"]})
        return Caller(row["agent_id"], row["name"], frozenset(), sites, agent=True, token_id=row["token_id"])
    return Caller(
        row["account_id"],
        row["name"],
        frozenset(Role(role) for role in row["roles"]),
        None if row["sites"] is None else frozenset(row["sites"]),
        token_id=row["token_id"],
        password_reset=row["reset_at"] is not None,
    )


async def _note_use(db: Database, row: Row) -> None:
    """A database that takes no writes now still answers who calls. Whoever first uses a new token of an agent
    has it, so that those before it are no longer needed."""
    try:
        async with db.begin() as connection:
            await credentials.note_use(connection, row["token_id"])
            if row["agent_id"] and row["used_at"] is None:
                end = server_now() + timedelta(days=LAST_DAYS)
                await credentials.end_agent_tokens_before(connection, row["agent_id"], row["created_at"], end)
    except SQLAlchemyError as error:
        _log.warning("the use of a token was not noted", cause=type(error).__name__)


async def reset_of(connection: AsyncConnection, row: Row) -> PasswordReset | None:
    """When somebody else set the password of an account, and who; None where the person set it."""
    if row["reset_at"] is None:
        return None
    by = None if row["reset_by"] is None else await store.account(connection, row["reset_by"])
    return PasswordReset(at=row["reset_at"], by=OPERATOR.name if by is None else by["name"])


async def must_have_set_password(db: Database, caller: Caller) -> None:
    """Raise PasswordWasReset while the caller's password is one that somebody else set."""
    if not caller.password_reset:
        return
    async with db.begin() as connection:
        row = await store.account(connection, caller.person())
        reset = None if row is None else await reset_of(connection, row)
    if reset is not None:
        raise PasswordWasReset(
            f"The password was set by {reset.by} at {reset.at:%Y-%m-%d %H:%M} UTC. It is good for setting "
            "another, and for nothing else.",
            next_step="Set a new password (PUT /api/v1/accounts/ID/password, or the page /new-password). "
            "If you did not ask for this, tell an administrator at once.",
        )

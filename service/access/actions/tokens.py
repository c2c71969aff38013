"""Tokens, and who holds one."""

from __future__ import annotations

import hashlib
import secrets

from service.access import store
from service.access.rules import Caller, Role
from service.database import Database, server_now
from service.errors import NotSignedIn


def new_token(prefix: str) -> str:
    """A token of 256 random bits; the prefix lets a secret scanner recognise it."""
    return f"{prefix}_{secrets.token_urlsafe(32)}"


def hash_of(secret: str) -> bytes:
    return hashlib.sha256(secret.encode("utf-8", "replace")).digest()


async def caller_of_token(db: Database, token: str) -> Caller:
    """Who holds `token`; raises NotSignedIn when it is unknown, expired or revoked, or its holder left."""
    async with db.begin() as connection:
        row = await store.token_holder(connection, hash_of(token))
    if row is None or row["revoked_at"] or row["ended_at"]:
        raise NotSignedIn("The token is not valid.", next_step="Sign in, or enrol the workstation again.")
    if row["expires_at"] and row["expires_at"] <= server_now():
        raise NotSignedIn("The session has ended.", next_step="Sign in again.")
    if row["agent_id"]:
        sites = frozenset({row["agent_site"]})
        return Caller(row["agent_id"], row["name"], frozenset(), sites, agent=True, token_id=row["token_id"])
    return Caller(
        row["account_id"],
        row["name"],
        frozenset(Role(role) for role in row["roles"]),
        None if row["sites"] is None else frozenset(row["sites"]),
        token_id=row["token_id"],
    )

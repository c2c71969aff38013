"""Sign-in and sign-out of people, and how tries are slowed: by login and by network address."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from math import ceil
from typing import Any
from uuid import UUID

import anyio
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access import credentials, store
from service.access.actions.passwords import NOBODYS_HASH, password_fits
from service.access.actions.tokens import hash_of, new_token, reset_of
from service.access.origin import origin
from service.access.rules import FREE_TRIES, FREE_TRIES_OF_A_NETWORK, Caller, Visitor, wait_after
from service.contract.access import Session, SignedIn, SignIn
from service.database import Database, Row, serialise, server_now
from service.errors import NotAllowed, NotSignedIn, TooMany

THROTTLE_WINDOW = timedelta(hours=1)
# RFC 6265bis: user agents keep a cookie for 400 days at most.
DEVICE_DAYS = 400
# Of one account at a time; the oldest ends.
MOST_SESSIONS = 20
# Tries take few of the database's connections, however many come at once.
_trying = anyio.CapacityLimiter(3)


@dataclass(frozen=True, slots=True)
class Opened:
    """A new session. `device`: what a browser shows to be known at the next sign-in; None: it has one."""

    signed_in: SignedIn
    device: str | None


@dataclass(frozen=True, slots=True)
class _Try:
    """Under which hashes a try is counted. From a known device it is counted by the device alone, so that
    nobody who guesses elsewhere keeps the owner out."""

    login: bytes
    network: bytes | None
    device: bytes | None

    def columns(self) -> dict[str, bytes | None]:
        return {"login_hash": self.login, "network_hash": self.network, "device_hash": self.device}


async def sign_in(db: Database, sent: SignIn, session_hours: int, visitor: Visitor) -> Opened:
    """A new session. Two transactions: the try is on record before the password is looked at, so that
    tries sent at the same time are counted too. Raises NotSignedIn, or TooMany with the seconds to wait."""
    async with _trying, db.begin() as connection:
        row = await store.account_by_login(connection, sent.login)
        device = None if visitor.device is None else hash_of(visitor.device)
        known = row is not None and await credentials.knows_device(
            connection, row["id"], device, server_now() - timedelta(days=DEVICE_DAYS)
        )
        counted = _Try(
            hash_of(sent.login),
            None if visitor.network is None else hash_of(visitor.network),
            device if known else None,
        )
        origin().about.update(login_hash=counted.login, account_id=row["id"] if row else None)
        await _refuse_if_throttled(connection, counted)
        await store.note(connection, "sign_in_tried", **counted.columns())
    password_hash = row["password_hash"] if row else NOBODYS_HASH
    fits = await password_fits(password_hash, sent.password, waits=known)
    if row is None or not fits or row["closed_at"]:
        raise NotSignedIn("Login and password do not fit.", next_step="Check both, or ask an administrator.")
    new_device = None if known or visitor.network is None else new_token("sld")
    async with db.begin() as connection:
        if new_device is not None:
            await credentials.insert_device(connection, hash_of(new_device), row["id"])
        signed_in = await open_session(connection, row, session_hours, **counted.columns())
    return Opened(signed_in, new_device)


async def open_session(connection: AsyncConnection, row: Row, hours: int, **noted: Any) -> SignedIn:
    """A new session of an account, and who or what opened it in the record; `noted` are columns of
    access_events."""
    token, expires_at = new_token("slp"), server_now() + timedelta(hours=hours)
    await credentials.insert_token(connection, hash_of(token), account_id=row["id"], expires_at=expires_at)
    await _end_the_oldest(connection, row["id"])
    await store.note(connection, "signed_in", account_id=row["id"], **noted)
    return SignedIn(
        token=token,
        expires_at=expires_at,
        name=row["name"],
        roles=row["roles"],
        sites=row["sites"],
        password_reset=await reset_of(connection, row),
    )


async def _end_the_oldest(connection: AsyncConnection, account_id: UUID) -> None:
    for session in (await credentials.sessions_of(connection, account_id))[MOST_SESSIONS:]:
        await credentials.revoke_tokens(connection, token_id=session["id"])


async def _refuse_if_throttled(connection: AsyncConnection, counted: _Try) -> None:
    """Locks what it counts until the transaction ends, always in the same order."""
    since = server_now() - THROTTLE_WINDOW
    if counted.device is not None:
        await serialise(connection, f"sign-in {counted.device.hex()}")
        tries = await credentials.tries_since_success(connection, since, device_hash=counted.device)
        _refuse_if_early("Too many failed sign-ins from this device.", tries, FREE_TRIES)
        return
    if counted.network is not None:
        await serialise(connection, f"sign-in from {counted.network.hex()}")
        failures = await credentials.failures_from(connection, counted.network, since)
        _refuse_if_early(
            "Too many failed sign-ins from this network address.", failures, FREE_TRIES_OF_A_NETWORK
        )
    await serialise(connection, f"sign-in {counted.login.hex()}")
    tries = await credentials.tries_since_success(connection, since, login_hash=counted.login)
    _refuse_if_early("Too many failed sign-ins with this login.", tries, FREE_TRIES)


def _refuse_if_early(detail: str, tries: tuple[int, datetime | None], free: int) -> None:
    many, last = tries
    if last is None:
        return
    left = wait_after(many, free) - (server_now() - last).total_seconds()
    if left > 0:
        raise TooMany(detail, retry_after_s=ceil(left), next_step=f"Wait {ceil(left)} s and try again.")


async def refuse_if_often(connection: AsyncConnection, row: Row) -> None:
    """Note that a password of the account is being set; raises TooMany when that happened often of late.
    No success makes it forget: each costs as much as a sign-in."""
    await serialise(connection, f"password {row['id']}")
    tries = await credentials.times_noted(
        connection, "password_tried", row["id"], server_now() - THROTTLE_WINDOW
    )
    _refuse_if_early("The password of this account was set or tried often of late.", tries, FREE_TRIES)
    await store.note(connection, "password_tried", account_id=row["id"])


async def sign_out(db: Database, caller: Caller) -> None:
    """End the session the request came with. An agent's token ends by retiring the agent."""
    if caller.account_id is None or caller.token_id is None:
        raise NotAllowed("Only a person's session can be ended so.")
    async with db.begin() as connection:
        await credentials.revoke_tokens(connection, token_id=caller.token_id)
        await store.note(connection, "signed_out", account_id=caller.account_id)


async def list_sessions(db: Database, caller: Caller) -> list[Session]:
    """The caller's own sessions that still count, the newest first."""
    async with db.begin() as connection:
        rows = await credentials.sessions_of(connection, caller.person())
    return [Session(**row, current=row["id"] == caller.token_id) for row in rows]


async def end_sessions(db: Database, caller: Caller) -> None:
    """End every session of the caller's, this one too, and forget the devices that are known."""
    account_id = caller.person()
    async with db.begin() as connection:
        await credentials.revoke_tokens(connection, account_id=account_id)
        await credentials.delete_devices(connection, account_id)
        await store.note(connection, "sessions_ended", account_id=account_id, by_account_id=account_id)

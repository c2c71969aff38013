"""Accounts of people, sign-in and sign-out."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from math import ceil
from typing import Any
from uuid import UUID

import anyio
import msgspec
from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access import store
from service.access.actions.tokens import hash_of, new_token
from service.access.origin import origin
from service.access.rules import Act, Caller, Role, wait_after
from service.contract.access import Account, AccountIn, CallerRights, PasswordChange, SignedIn, SignIn
from service.database import Database, Row, serialise, server_now
from service.errors import Conflict, Invalid, NotAllowed, NotFound, NotSignedIn, TooMany

THROTTLE_WINDOW = timedelta(hours=1)

# The library's defaults are the second recommended choice of RFC 9106 4: 64 MiB, 3 passes.
_hasher = PasswordHasher()
# An unknown login is checked against this, so that the time to refuse does not tell which logins exist.
_NOBODY = _hasher.hash("nobody has this password")
# Each hash takes 64 MiB and a core: more at once would starve everything else.
_at_once = anyio.CapacityLimiter(2)


async def hash_password(password: str) -> str:
    return await anyio.to_thread.run_sync(_hasher.hash, password, limiter=_at_once)


async def password_fits(password_hash: str, password: str) -> bool:
    def fits() -> bool:
        try:
            return _hasher.verify(password_hash, password)
        except (VerificationError, InvalidHashError):
            return False

    return await anyio.to_thread.run_sync(fits, limiter=_at_once)


async def sign_in(db: Database, credentials: SignIn, session_hours: int) -> SignedIn:
    """A new session. Two transactions: the try is on record before the password is looked at, so that
    tries sent at the same time are counted too."""
    login_hash = hash_of(credentials.login)
    async with db.begin() as connection:
        await serialise(connection, f"sign-in {login_hash.hex()}")
        row = await store.account_by_login(connection, credentials.login)
        origin().about.update(login_hash=login_hash, account_id=row["id"] if row else None)
        await _refuse_if_throttled(connection, login_hash)
        await store.note(connection, "sign_in_tried", login_hash=login_hash)
    fits = await password_fits(row["password_hash"] if row else _NOBODY, credentials.password)
    if row is None or not fits or row["closed_at"]:
        raise NotSignedIn("Login and password do not fit.", next_step="Check both, or ask an administrator.")
    token, expires_at = new_token("slp"), server_now() + timedelta(hours=session_hours)
    async with db.begin() as connection:
        await store.insert_token(connection, hash_of(token), account_id=row["id"], expires_at=expires_at)
        await store.note(connection, "signed_in", login_hash=login_hash, account_id=row["id"])
    return SignedIn(
        token=token, expires_at=expires_at, name=row["name"], roles=row["roles"], sites=row["sites"]
    )


async def _refuse_if_throttled(connection: AsyncConnection, login_hash: bytes) -> None:
    now = server_now()
    tries = await store.tries_since_success(connection, login_hash, now - THROTTLE_WINDOW)
    if not tries:
        return
    left = wait_after(len(tries)) - (now - tries[0]).total_seconds()
    if left > 0:
        raise TooMany(
            "Too many failed sign-ins with this login.",
            retry_after_s=ceil(left),
            next_step=f"Wait {ceil(left)} s and try again.",
        )


async def sign_out(db: Database, caller: Caller) -> None:
    """End the session the request came with. An agent's token ends by retiring the agent."""
    if caller.account_id is None or caller.token_id is None:
        raise NotAllowed("Only a person's session can be ended so.")
    async with db.begin() as connection:
        await store.revoke_tokens(connection, token_id=caller.token_id)
        await store.note(connection, "signed_out", account_id=caller.account_id)


def rights_of(caller: Caller) -> CallerRights:
    return CallerRights(
        id=caller.id,
        name=caller.name,
        agent=caller.agent,
        roles=sorted(caller.roles),
        acts=sorted(act for act in Act if caller.may(act)),
        sites=None if caller.sites is None else sorted(caller.sites),
    )


async def list_accounts(db: Database, caller: Caller, after: str | None, limit: int) -> list[Account]:
    caller.must(Act.RUN_SITE)
    async with db.begin() as connection:
        return [account_of(row) for row in await store.account_page(connection, after, limit, caller.sites)]


async def read_account(db: Database, caller: Caller, account_id: UUID) -> Account:
    """One's own account, or any at the administrator's sites."""
    async with db.begin() as connection:
        row = await _known(connection, account_id)
    if caller.account_id != account_id:
        _must_run(caller, row["sites"])
    return account_of(row)


async def put_account(
    db: Database, caller: Caller, account_id: UUID, content: AccountIn, check: Callable[[Account], None]
) -> Account:
    """Make an account, or change it; `check` is given the present one and raises when the change is not
    meant for it. The same content again changes nothing and needs no check."""
    _must_run(caller, content.sites)
    async with db.begin() as connection:
        # Of the same request sent twice at once, the second finds what the first made (I8).
        await serialise(connection, f"account {account_id}")
        row = await store.account(connection, account_id, lock=True)
        if row is None:
            return await add_account(connection, account_id, content, by=caller.account_id)
        _must_run(caller, row["sites"])
        return await _change(connection, caller, row, content, check)


async def add_account(
    connection: AsyncConnection, account_id: UUID, content: AccountIn, *, by: UUID | None
) -> Account:
    """Make a new account; the command line calls this too, as it needs no caller."""
    values = await _checked(connection, content)
    if content.password is None:
        raise Invalid("A new account needs a password.", next_step="Send one of 12 characters or more.")
    row = {
        "id": account_id,
        **values,
        "password_hash": await hash_password(content.password),
        "created_at": server_now(),
    }
    if not await store.insert_account(connection, row):
        raise Conflict(f"The login {content.login} is taken.", next_step="Choose another login.")
    await store.note(connection, "account_made", account_id=account_id, by_account_id=by, detail=values)
    return account_of({**row, "closed_at": None})


async def _change(
    connection: AsyncConnection,
    caller: Caller,
    row: Row,
    content: AccountIn,
    check: Callable[[Account], None],
) -> Account:
    values = await _checked(connection, content)
    changed = {name: value for name, value in values.items() if row[name] != value}
    if content.password is not None and not await password_fits(row["password_hash"], content.password):
        changed["password_hash"] = await hash_password(content.password)
    if not changed:
        return account_of(row)
    check(account_of(row))
    if row["closed_at"]:
        raise Conflict("The account is closed.", next_step="Make a new account.")
    if "login" in changed and await store.account_by_login(connection, content.login):
        raise Conflict(f"The login {content.login} is taken.", next_step="Choose another login.")
    await store.update_account(connection, row["id"], **changed)
    if "password_hash" in changed:
        await store.revoke_tokens(connection, account_id=row["id"], but=caller.token_id)
    detail = {name: "changed" if name == "password_hash" else value for name, value in changed.items()}
    await store.note(
        connection, "account_changed", account_id=row["id"], by_account_id=caller.account_id, detail=detail
    )
    return account_of({**row, **changed})


async def _checked(connection: AsyncConnection, content: AccountIn) -> dict[str, Any]:
    known = {str(role) for role in Role}
    if unknown := sorted(set(content.roles) - known):
        raise Invalid(
            f"Unknown roles: {', '.join(unknown)}.", next_step=f"Take of {', '.join(sorted(known))}."
        )
    if content.sites and (missing := await store.unknown_sites(connection, content.sites)):
        raise Invalid(f"Unknown sites: {', '.join(missing)}.", next_step="Take codes of GET /api/v1/sites.")
    values = msgspec.structs.asdict(content)
    del values["password"]
    values["roles"] = sorted(set(content.roles))
    values["sites"] = None if content.sites is None else sorted(set(content.sites))
    return values


def _must_run(caller: Caller, sites: list[str] | None) -> None:
    """Whoever runs some sites keeps the accounts of those sites only, and gives no access beyond them."""
    caller.must(Act.RUN_SITE)
    if caller.sites is None:
        return
    if sites is None:
        raise NotAllowed(
            f"{caller.name} has no access to every site.", next_step="Ask an administrator of all sites."
        )
    for site in sites:
        caller.must(Act.RUN_SITE, site)


async def change_password(db: Database, caller: Caller, account_id: UUID, change: PasswordChange) -> None:
    """A person's own new password; every other session of the account ends."""
    if caller.account_id != account_id:
        raise NotAllowed("A person changes only the password of his own account.")
    async with db.begin() as connection:
        row = await _known(connection, account_id)
        if not await password_fits(row["password_hash"], change.current):
            raise NotAllowed("The current password does not fit.")
        await store.update_account(connection, account_id, password_hash=await hash_password(change.new))
        await store.revoke_tokens(connection, account_id=account_id, but=caller.token_id)
        await store.note(connection, "password_changed", account_id=account_id, by_account_id=account_id)


async def close_account(db: Database, caller: Caller, account_id: UUID) -> Account:
    """Close an account: it can no longer sign in; what the person did stays. Repeating changes nothing."""
    caller.must(Act.RUN_SITE)
    async with db.begin() as connection:
        row = await _known(connection, account_id)
        _must_run(caller, row["sites"])
        return await end_account(connection, row, by=caller.account_id)


async def end_account(connection: AsyncConnection, row: Row, *, by: UUID | None) -> Account:
    """Close the account; the command line calls this too, as it needs no caller."""
    if row["closed_at"]:
        return account_of(row)
    now = server_now()
    await store.update_account(connection, row["id"], closed_at=now)
    await store.revoke_tokens(connection, account_id=row["id"])
    await store.note(connection, "account_closed", account_id=row["id"], by_account_id=by)
    return account_of({**row, "closed_at": now})


async def _known(connection: AsyncConnection, account_id: UUID) -> Row:
    row = await store.account(connection, account_id, lock=True)
    if row is None:
        raise NotFound(f"There is no account {account_id}.", next_step="Take an id of GET /api/v1/accounts.")
    return row


def account_of(row: Any) -> Account:
    names = ("id", "login", "name", "roles", "sites", "created_at", "closed_at")
    return Account(**{name: row[name] for name in names})

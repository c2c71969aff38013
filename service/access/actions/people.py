"""Accounts of people."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access import credentials, identities, store
from service.access.actions.passwords import (
    hash_password,
    must_be_hard_to_guess,
    one_at_a_time,
    password_fits,
)
from service.access.actions.signing_in import refuse_if_often
from service.access.actions.tokens import reset_of
from service.access.rules import GUARDED, Act, Caller, Role, needs_second, within
from service.contract.access import Account, AccountIn, CallerRights, PasswordChange, PasswordReset
from service.database import Database, Row, serialise, server_now
from service.errors import Conflict, Invalid, NotAllowed, NotFound

# Held while it is counted how many administrators there are.
ADMINISTRATORS = "administrators"


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
    if caller.account_id != account_id:
        caller.must(Act.RUN_SITE)
    async with db.begin() as connection:
        row = await known_account(connection, account_id)
    if caller.account_id != account_id:
        must_keep(caller, row)
    return account_of(row)


async def read_reset(db: Database, caller: Caller) -> PasswordReset | None:
    """When somebody else set the caller's password, and who; None where he set it himself."""
    async with db.begin() as connection:
        return await reset_of(connection, await known_account(connection, caller.person()))


async def put_account(
    db: Database, caller: Caller, account_id: UUID, content: AccountIn, check: Callable[[Account], None]
) -> Account:
    """Make an account, or change it; `check` is given the present one and raises when the change is not
    meant for it. The same content again changes nothing and needs no check."""
    must_run(caller, content.sites)
    async with one_at_a_time(account_id):
        password_hash = await _hash_to_keep(db, caller, account_id, content)
        async with db.begin() as connection:
            # Of the same request sent twice at once, the second finds what the first made (I8).
            await serialise(connection, f"account {account_id}")
            row = await store.account(connection, account_id, lock=True)
            if row is None:
                return await add_account(connection, account_id, content, password_hash, by=caller.account_id)
            must_run(caller, row["sites"])
            return await _change(connection, caller, row, content, password_hash, check)


async def _hash_to_keep(db: Database, caller: Caller, account_id: UUID, content: AccountIn) -> str | None:
    """The hash of the account's password, that which it has where the password fits; None without one."""
    password = content.password
    if password is None:
        return None
    must_be_hard_to_guess(password, content.login)
    async with db.begin() as connection:
        row = await store.account(connection, account_id)
        if row is not None:
            must_run(caller, row["sites"])
            await refuse_if_often(connection, row)
    if row is not None and await password_fits(row["password_hash"], password):
        return str(row["password_hash"])
    return await hash_password(password)


async def add_account(
    connection: AsyncConnection,
    account_id: UUID,
    content: AccountIn,
    password_hash: str | None,
    *,
    by: UUID | None,
) -> Account:
    """Make a new account; the command line calls this too, as it needs no caller."""
    values = await _checked(connection, content)
    await _refuse_guarded_of_one(connection, values["roles"], by)
    if password_hash is None:
        raise Invalid("A new account needs a password.", next_step="Send one of 12 characters or more.")
    row = {"id": account_id, **values, "password_hash": password_hash, "created_at": server_now()}
    if not await store.insert_account(connection, row):
        raise Conflict(f"The login {content.login} is taken.", next_step="Choose another login.")
    await store.note(connection, "account_made", account_id=account_id, by_account_id=by, detail=values)
    return account_of({**row, "closed_at": None, "reset_at": None})


async def _refuse_guarded_of_one(connection: AsyncConnection, roles: list[str], by: UUID | None) -> None:
    """An account with a guarded role is made at the server's shell alone, and only while there are no two
    administrators who could give the role to it together."""
    if not GUARDED.intersection(roles):
        return
    await serialise(connection, ADMINISTRATORS)
    if by is not None or len(await store.administrators(connection)) >= 2:
        raise _needs_second()


def _needs_second() -> NotAllowed:
    return NotAllowed(
        "One administrator alone makes nobody approver or administrator, lets none reach further, and sets "
        "no password of one.",
        next_step="Make the account with other roles, then propose the change "
        "(PUT /api/v1/account-proposals/ID, or `sightledger account propose`); another administrator "
        "confirms it.",
    )


async def _change(
    connection: AsyncConnection,
    caller: Caller,
    row: Row,
    content: AccountIn,
    password_hash: str | None,
    check: Callable[[Account], None],
) -> Account:
    values = await _checked(connection, content)
    changed = {name: value for name, value in values.items() if row[name] != value}
    if password_hash not in (None, row["password_hash"]):
        changed["password_hash"] = password_hash
    if not changed:
        return account_of(row)
    check(account_of(row))
    if row["closed_at"]:
        raise Conflict("The account is closed.", next_step="Make a new account.")
    if await identities.is_of_provider(connection, row["id"]):
        raise Conflict(
            f"The identity provider keeps the account of {row['name']}.",
            next_step="Change the person's groups there, or close the account here.",
        )
    _must_be_anothers(caller, row, changed)
    if needs_second(row["roles"], row["sites"], values["roles"], values["sites"]):
        raise _needs_second()
    await keep_an_administrator(connection, row, values["roles"], values["sites"])
    if "login" in changed and await store.account_by_login(connection, content.login):
        raise Conflict(f"The login {content.login} is taken.", next_step="Choose another login.")
    reset: dict[str, Any] = {}
    if "password_hash" in changed:
        reset = {"reset_at": server_now(), "reset_by": caller.account_id}
    await store.update_account(connection, row["id"], **changed, **reset)
    if reset:
        await credentials.revoke_tokens(connection, account_id=row["id"], but=caller.token_id)
    detail = {name: "changed" if name == "password_hash" else value for name, value in changed.items()}
    await store.note(
        connection, "account_changed", account_id=row["id"], by_account_id=caller.account_id, detail=detail
    )
    return account_of({**row, **changed, **reset})


def _must_be_anothers(caller: Caller, row: Row, changed: dict[str, Any]) -> None:
    if caller.account_id == row["id"] and changed.keys() & {"roles", "sites", "password_hash"}:
        raise NotAllowed(
            "Nobody changes what he himself may do, and a person sets his own password with the present one.",
            next_step="Ask another administrator, or change the password at its own address.",
        )
    if "password_hash" in changed and GUARDED.intersection(row["roles"]):
        raise _needs_second()


async def keep_an_administrator(
    connection: AsyncConnection, row: Row, roles: list[str], sites: list[str] | None
) -> None:
    """Refuse to take away the last administrator, and the last one of every site; no roles: the account is
    closed. Holds off others who would do the same meanwhile."""
    if Role.ADMINISTRATOR not in row["roles"]:
        return
    await serialise(connection, ADMINISTRATORS)
    if Role.ADMINISTRATOR in roles and within(row["sites"], sites):
        return
    others = await store.administrators(connection, but=row["id"])
    if not any(within(row["sites"], other["sites"]) or row["sites"] is not None for other in others):
        raise Conflict(
            f"{row['name']} is the last administrator with this reach.",
            next_step="Make another account an administrator first.",
        )


async def checked_scope(
    connection: AsyncConnection, roles: list[str], sites: list[str] | None
) -> tuple[list[str], list[str] | None]:
    """Roles and sites in order and without repetition; raises Invalid for those that are none."""
    known = {str(role) for role in Role}
    if unknown := sorted(set(roles) - known):
        raise Invalid(
            f"Unknown roles: {', '.join(unknown)}.", next_step=f"Take of {', '.join(sorted(known))}."
        )
    if sites and (missing := await store.unknown_sites(connection, sites)):
        raise Invalid(f"Unknown sites: {', '.join(missing)}.", next_step="Take codes of GET /api/v1/sites.")
    return sorted(set(roles)), None if sites is None else sorted(set(sites))


async def _checked(connection: AsyncConnection, content: AccountIn) -> dict[str, Any]:
    values = msgspec.structs.asdict(content)
    del values["password"]
    values["roles"], values["sites"] = await checked_scope(connection, content.roles, content.sites)
    return values


def must_run(caller: Caller, sites: list[str] | None) -> None:
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


def must_keep(caller: Caller, account: Row) -> None:
    """An account that has no site of the caller's is not told from one that is not there."""
    sites = account["sites"]
    if sites is not None and not any(map(caller.at, sites)):
        raise _no_account(account["id"])
    must_run(caller, sites)


async def change_password(db: Database, caller: Caller, account_id: UUID, change: PasswordChange) -> None:
    """A person's own new password; every other session of the account ends."""
    if caller.account_id != account_id:
        raise NotAllowed("A person changes only the password of his own account.")
    async with one_at_a_time(account_id):
        async with db.begin() as connection:
            row = await known_account(connection, account_id)
            await refuse_if_often(connection, row)
        if not await password_fits(row["password_hash"], change.current):
            raise NotAllowed("The current password does not fit.")
        if change.new == change.current and row["reset_at"] is not None:
            raise Invalid("The new password is the one that was set for you.", next_step="Choose another.")
        must_be_hard_to_guess(change.new, row["login"])
        password_hash = await hash_password(change.new)
        async with db.begin() as connection:
            if (await known_account(connection, account_id))["password_hash"] != row["password_hash"]:
                raise Conflict(
                    "The password was changed meanwhile.", next_step="Sign in with the one set last."
                )
            await store.update_account(
                connection, account_id, password_hash=password_hash, reset_at=None, reset_by=None
            )
            await credentials.revoke_tokens(connection, account_id=account_id, but=caller.token_id)
            await store.note(connection, "password_changed", account_id=account_id, by_account_id=account_id)


async def close_account(db: Database, caller: Caller, account_id: UUID) -> Account:
    """Close an account: it can no longer sign in; what the person did stays. Repeating changes nothing."""
    caller.must(Act.RUN_SITE)
    async with db.begin() as connection:
        row = await known_account(connection, account_id)
        must_keep(caller, row)
        return await end_account(connection, row, by=caller.account_id)


async def end_account(connection: AsyncConnection, row: Row, *, by: UUID | None) -> Account:
    """Close the account; the command line calls this too, as it needs no caller."""
    if row["closed_at"]:
        return account_of(row)
    await keep_an_administrator(connection, row, [], [])
    now = server_now()
    await store.update_account(connection, row["id"], closed_at=now)
    await credentials.revoke_tokens(connection, account_id=row["id"])
    await store.note(connection, "account_closed", account_id=row["id"], by_account_id=by)
    return account_of({**row, "closed_at": now})


async def known_account(connection: AsyncConnection, account_id: UUID) -> Row:
    row = await store.account(connection, account_id, lock=True)
    if row is None:
        raise _no_account(account_id)
    return row


def _no_account(account_id: UUID) -> NotFound:
    return NotFound(f"There is no account {account_id}.", next_step="Take an id of GET /api/v1/accounts.")


def account_of(row: Any) -> Account:
    names = ("id", "login", "name", "roles", "sites", "created_at", "closed_at", "reset_at")
    return Account(**{name: row[name] for name in names})

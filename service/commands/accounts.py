"""Accounts of people: `account add`, `account close`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from service.access.rules import Role
from service.commands.lines import in_words
from service.commands.opening import REFUSED, stop, with_database
from service.commands.passwords import PasswordFile, PasswordStdin, read_password
from service.contract.access import AccountIn
from service.contract.wire import new_id
from service.errors import NotFound

if TYPE_CHECKING:
    from service.database import Database


def add(
    login: Annotated[str, typer.Argument(help="lower-case letters, digits and . _ @ -")],
    name: Annotated[str, typer.Option(help="the person's name, as it stands in the record")],
    role: Annotated[list[str], typer.Option(help=f"of {', '.join(Role)}; may be given more than once")],
    site: Annotated[list[str] | None, typer.Option(help="a site's code; none given: every site")] = None,
    password_file: PasswordFile = None,
    password_stdin: PasswordStdin = False,
) -> None:
    """Make an account. The password, of 12 characters or more, is asked for without echo."""
    import msgspec

    from service.access.actions import people
    from service.access.actions.passwords import hash_password

    password = read_password("Password", password_file, password_stdin, confirm=True)
    sent = {"login": login, "name": name, "roles": role, "sites": site or None, "password": password}
    try:
        account = msgspec.convert(sent, AccountIn)
    except msgspec.ValidationError as error:
        stop(f"The account was not made: {in_words(error, sent)}", REFUSED)

    async def make(db: Database) -> None:
        password_hash = await hash_password(password)
        async with db.begin() as connection:
            await people.add_account(connection, new_id(), account, password_hash, by=None)

    with_database(make)
    typer.echo(f"Account {login} can sign in.", err=True)


def close(login: str) -> None:
    """Close an account: it can no longer sign in; what the person did stays."""
    from service.access import store
    from service.access.actions import people

    async def end(db: Database) -> None:
        async with db.begin() as connection:
            row = await store.account_by_login(connection, login)
            if row is None:
                raise NotFound(f"There is no account {login}.")
            await people.end_account(connection, row, by=None)

    with_database(end)
    typer.echo(f"Account {login} is closed.", err=True)

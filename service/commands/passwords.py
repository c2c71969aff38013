"""Passwords at the command line, and the people whom the record names for what a command does."""

from __future__ import annotations

import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from service.commands.opening import NOT_SET_UP, stop, with_database

if TYPE_CHECKING:
    from service.access.rules import Caller
    from service.database import Database

T = TypeVar("T")

As = Annotated[str, typer.Option("--as", help="login of the person who does it and whom the record names")]
PasswordFile = Annotated[
    Path | None, typer.Option("--password-file", help="read the password from a file's first line")
]
PasswordStdin = Annotated[
    bool, typer.Option("--password-stdin", help="read the password from standard input's first line")
]
# A session lasts long enough for the largest import; it ends with the command.
SESSION_HOURS = 12


@dataclass(frozen=True)
class Person:
    """A person as given at the command line; the service checks the password before anything is done."""

    login: str
    password: str

    def does(self, deed: Callable[[Database, Caller], Awaitable[T]]) -> T:
        """Run with the database as this person; raises NotSignedIn or TooMany as the pages do."""

        async def run(db: Database) -> T:
            async with self._signed_in(db) as caller:
                return await deed(db, caller)

        return with_database(run)

    @asynccontextmanager
    async def _signed_in(self, db: Database) -> AsyncIterator[Caller]:
        from service.access.actions.signing_in import sign_in, sign_out
        from service.access.actions.tokens import caller_of_token, must_have_set_password
        from service.access.rules import AT_THE_SERVER
        from service.contract.access import SignIn

        credentials = SignIn(login=self.login, password=self.password)
        opened = await sign_in(db, credentials, SESSION_HOURS, AT_THE_SERVER)
        caller = await caller_of_token(db, opened.signed_in.token)
        try:
            await must_have_set_password(db, caller)
            yield caller
        finally:
            await sign_out(db, caller)


def person_at_hand(login: str, file: Path | None, stdin: bool) -> Person:
    """The person of `--as`, whose password is asked for without echo unless it is given."""
    return Person(login, read_password(f"Password of {login}", file, stdin, confirm=False))


def read_password(prompt: str, file: Path | None, stdin: bool, *, confirm: bool) -> str:
    """A password from a file, from standard input, or asked for without echo."""
    if file is not None and stdin:
        stop("Give one of --password-file and --password-stdin. Nothing was changed.", NOT_SET_UP)
    if stdin:
        return sys.stdin.readline().rstrip("\r\n")
    if file is None:
        return str(typer.prompt(prompt, hide_input=True, confirmation_prompt=confirm))
    try:
        return file.read_text(encoding="utf-8").partition("\n")[0].rstrip("\r")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is no UTF-8 text"
        stop(f"The password cannot be read from {file}: {reason}. Nothing was changed.", NOT_SET_UP)

"""Accounts of people: made and closed by the operator, changed further by two administrators."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated
from uuid import UUID

import typer

from service.access.rules import Role
from service.commands.lines import in_words
from service.commands.opening import REFUSED, stop, with_database
from service.commands.passwords import (
    As,
    PasswordFile,
    PasswordStdin,
    Person,
    person_at_hand,
    read_password,
)
from service.contract.access import AccountIn
from service.contract.wire import new_id
from service.errors import NotFound
from service.settings import read_settings

if TYPE_CHECKING:
    from service.access.rules import Caller
    from service.contract.access import AccountProposal, Decision
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
    from service.access.actions.passwords import hash_password, must_be_hard_to_guess

    password = read_password("Password", password_file, password_stdin, confirm=True)
    sent = {"login": login, "name": name, "roles": role, "sites": site or None, "password": password}
    try:
        account = msgspec.convert(sent, AccountIn)
    except msgspec.ValidationError as error:
        stop(f"The account was not made: {in_words(error, sent)}", REFUSED)

    async def make(db: Database) -> None:
        must_be_hard_to_guess(password, login)
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


def list_() -> None:
    """List the open accounts: login, name, roles, and sites (* for every site)."""
    from service.access import store
    from service.contract.showing import plain

    async def read(db: Database) -> None:
        after = None
        while True:
            async with db.begin() as connection:
                rows = await store.account_page(connection, after, 500, None)
            if not rows:
                return
            for row in rows:
                after = row["login"]
                if row["closed_at"] is None:
                    sites = "*" if row["sites"] is None else ",".join(row["sites"])
                    typer.echo(f"{row['login']}\t{plain(row['name'])}\t{','.join(row['roles'])}\t{sites}")

    with_database(read)


def let_in(
    login: Annotated[str, typer.Argument(help="login of the account, as `account list` shows it")],
    reason: Annotated[str, typer.Option(help="why, as it stands in the record")],
) -> None:
    """Print a code with which one person signs in once, at /sign-in/code, when there is no other way."""
    from service.access.actions import letting_in

    async def make(db: Database) -> str:
        async with db.begin() as connection:
            return await letting_in.make_code(connection, login, reason)

    typer.echo(with_database(make))
    address = f"{read_settings().public_url.rstrip('/')}/sign-in/code"
    typer.echo(f"The code is good once, for {letting_in.CODE_MINUTES} minutes, at {address}", err=True)


AccountLogin = Annotated[str, typer.Argument(help="the login of the account")]
ProposalId = Annotated[str, typer.Argument(help="the id that `account proposals` prints")]


def propose(
    login: AccountLogin,
    by: As,
    role: Annotated[list[str], typer.Option(help="each role that the account is to have")],
    site: Annotated[list[str] | None, typer.Option(help="a site's code; none given: every site")] = None,
    password_file: PasswordFile = None,
    password_stdin: PasswordStdin = False,
) -> None:
    """Propose what an account may do, and where; another administrator confirms it."""
    from service.access import store
    from service.access.actions import proposals
    from service.contract.access import AccountProposed

    async def deed(db: Database, caller: Caller) -> AccountProposal:
        async with db.begin() as connection:
            row = await store.account_by_login(connection, login)
        if row is None:
            raise NotFound(f"There is no account {login}.")
        wanted = AccountProposed(account=row["id"], roles=role, sites=site or None)
        return await proposals.propose(db, caller, new_id(), wanted)

    _tell(person_at_hand(by, password_file, password_stdin).does(deed))


def proposals(by: As, password_file: PasswordFile = None, password_stdin: PasswordStdin = False) -> None:
    """List the newest 100 proposed changes of accounts, decided or not."""
    from service.access.actions import proposals as actions

    async def deed(db: Database, caller: Caller) -> list[AccountProposal]:
        return await actions.list_proposals(db, caller, None, 100)

    for proposal in person_at_hand(by, password_file, password_stdin).does(deed):
        _tell(proposal)


def confirm(
    proposal: ProposalId, by: As, password_file: PasswordFile = None, password_stdin: PasswordStdin = False
) -> None:
    """Confirm what another administrator proposed: it takes effect."""
    _decide(proposal, "confirmed", person_at_hand(by, password_file, password_stdin))


def refuse(
    proposal: ProposalId, by: As, password_file: PasswordFile = None, password_stdin: PasswordStdin = False
) -> None:
    """Refuse what another administrator proposed."""
    _decide(proposal, "refused", person_at_hand(by, password_file, password_stdin))


def withdraw(
    proposal: ProposalId, by: As, password_file: PasswordFile = None, password_stdin: PasswordStdin = False
) -> None:
    """Withdraw what one proposed oneself."""
    _decide(proposal, "withdrawn", person_at_hand(by, password_file, password_stdin))


def _decide(proposal: str, decision: Decision, person: Person) -> None:
    from service.access.actions import proposals as actions

    try:
        proposal_id = UUID(proposal)
    except ValueError:
        stop(f"{proposal} is no id of a proposal. Nothing was decided.", REFUSED)

    async def deed(db: Database, caller: Caller) -> AccountProposal:
        return await actions.decide(db, caller, proposal_id, decision)

    _tell(person.does(deed))


def _tell(proposal: AccountProposal) -> None:
    sites = "every site" if proposal.sites is None else ", ".join(proposal.sites)
    stands = f"{proposal.decision} by {proposal.decided_by}" if proposal.decision else "not decided"
    password = ", with a new password" if proposal.new_password else ""
    typer.echo(
        f"{proposal.id}  {proposal.login}: {', '.join(proposal.roles)} at {sites}{password}; "
        f"proposed by {proposal.proposed_by}, {stands}"
    )

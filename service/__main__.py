"""The `sightledger` command: run the service, and the few things done on the server itself."""

from __future__ import annotations

import asyncio
import os
import sys
import tempfile
from collections.abc import Awaitable, Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn, TypeVar

import psycopg
import sqlalchemy.exc
import typer

from service.contract.access import AccountIn, NewCode
from service.contract.wire import new_id
from service.database import Database, migrate
from service.errors import NotFound, Refusal
from service.settings import SettingError, Settings, read_settings

if TYPE_CHECKING:
    from service.objects.holding import Holding

T = TypeVar("T")

app = typer.Typer(no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False)
plan_app = typer.Typer(no_args_is_help=True, help="Standard plan documents.")
account_app = typer.Typer(no_args_is_help=True, help="Accounts of people.")
app.add_typer(plan_app, name="plan")
app.add_typer(account_app, name="account")

REFUSED, NOT_SET_UP, NOT_SOUND = 1, 2, 3


@app.callback()
def about() -> None:
    """Sightledger: one record of visual inspection inside plant. Its settings are SIGHTLEDGER_* variables."""


@app.command()
def serve() -> None:
    """Run the service on SIGHTLEDGER_HOST and SIGHTLEDGER_PORT."""
    from granian import Granian
    from granian.constants import Interfaces

    from service.observe import log_config
    from service.signing import Signer

    settings = read_settings()
    Signer.load(settings.receipt_key_file)
    with tempfile.TemporaryDirectory(prefix="sightledger-metrics-") as shared:
        if settings.processes > 1:
            # The client library adds up the processes' figures through files in this folder.
            os.environ["PROMETHEUS_MULTIPROC_DIR"] = shared
        Granian(
            "service.app:create_app",
            factory=True,
            interface=Interfaces.ASGI,
            address=settings.host,
            port=settings.port,
            workers=settings.processes,
            websockets=False,
            log_dictconfig=log_config(settings.log_level),
            workers_kill_timeout=10,
            respawn_failed_workers=settings.processes > 1,
        ).serve()


@app.command()
def worker(
    until_empty: Annotated[bool, typer.Option("--until-empty", help="Do what is waiting, then end.")] = False,
) -> None:
    """Run background work: thumbnails, large files read back; and on a schedule audit, locks and sweep."""
    from service.app import open_objects
    from service.custody.actions.schedule import tasks as custody_tasks
    from service.intake.actions.large import tasks as intake_tasks
    from service.jobs import open_queue, work
    from service.observe import configure_logging
    from service.records.actions.thumbnails import tasks as records_tasks

    settings = read_settings()
    configure_logging(settings.log_level)
    queue = open_queue(
        settings.database_url,
        {"records": records_tasks, "intake": intake_tasks, "custody": custody_tasks},
    )

    async def run() -> None:
        db = Database(settings.database_url)
        try:
            around = {"db": db, "objects": open_objects(settings), "settings": settings}
            await work(queue, around, wait=not until_empty)
        finally:
            await db.close()

    asyncio.run(run())


@app.command("migrate")
def migrate_command() -> None:
    """Bring the database to the newest schema."""
    migrate(read_settings().database_url)
    typer.echo("The database is at the newest schema.", err=True)


@app.command()
def seed(
    full: Annotated[
        bool, typer.Option("--full", help="The whole invented fleet, not the demo's part.")
    ] = False,
    accounts: Annotated[
        Path | None, typer.Option(help="JSON object of login and password for the demo's people.")
    ] = None,
) -> None:
    """Fill the database with the invented demo fleet. Again changes nothing."""
    from seed.load import load

    typer.echo(load(read_settings(), full=full, accounts=accounts), err=True)


@plan_app.command("check")
def plan_check(file: Annotated[Path, typer.Argument(help="a plan document, YAML or JSON")]) -> None:
    """Say of every error and doubt in FILE where it stands and what to do. Needs no database."""
    from service.plans.document import check_file

    try:
        checked = check_file(file)
    except OSError as error:
        _stop(f"{file} cannot be read: {error.strerror}.", NOT_SET_UP)
    if checked.findings:
        typer.echo(checked.text())
    if checked.document is None:
        raise typer.Exit(REFUSED)
    typer.echo(
        f"{file}: revision {checked.document.revision} of plan {checked.document.plan} is well formed."
    )


@account_app.command("add")
def account_add(
    login: str,
    name: Annotated[str, typer.Option(help="the person's name, as it stands in the record")],
    role: Annotated[list[str], typer.Option(help="may be given more than once")],
    site: Annotated[list[str] | None, typer.Option(help="a site's code; none given: every site")] = None,
    password_stdin: Annotated[
        bool, typer.Option("--password-stdin", help="read the password from standard input")
    ] = False,
) -> None:
    """Make an account. The password is asked for, or read from standard input."""
    import msgspec

    from service.access.actions import people

    if password_stdin:
        password = sys.stdin.readline().rstrip("\r\n")
    else:
        password = typer.prompt("Password", hide_input=True, confirmation_prompt=True)
    sent = {"login": login, "name": name, "roles": role, "sites": site or None, "password": password}
    try:
        wanted = msgspec.convert(sent, AccountIn)
    except msgspec.ValidationError as error:
        _stop(f"The account cannot be made: {error}.", REFUSED)

    async def add(db: Database) -> None:
        async with db.begin() as connection:
            await people.add_account(connection, new_id(), wanted, by=None)

    _with_database(add)
    typer.echo(f"Account {login} can sign in.", err=True)


@account_app.command("close")
def account_close(login: str) -> None:
    """Close an account: it can no longer sign in; what the person did stays."""
    from service.access import store
    from service.access.actions import people

    async def close(db: Database) -> None:
        async with db.begin() as connection:
            row = await store.account_by_login(connection, login)
            if row is None:
                raise NotFound(f"There is no account {login}.")
            await people.end_account(connection, row, by=None)

    _with_database(close)
    typer.echo(f"Account {login} is closed.", err=True)


@app.command("enrol-code")
def enrol_code(
    site: Annotated[str, typer.Argument(help="the code of the site whose workstation enrols")],
    hours: Annotated[int, typer.Option(min=1, max=24 * 14, help="how long the code is good for")] = 24,
) -> None:
    """Print a one-time code with which one workstation may enrol."""
    from service.access import actions

    async def make(db: Database) -> str:
        async with db.begin() as connection:
            return (await actions.issue_code(connection, NewCode(site=site, hours=hours), by=None)).code

    typer.echo(_with_database(make))


@app.command("receipt-key")
def receipt_key(
    file: Annotated[Path | None, typer.Argument(help="default: SIGHTLEDGER_RECEIPT_KEY_FILE")] = None,
) -> None:
    """Make the Ed25519 key that signs receipts. An existing file is left alone."""
    from service.signing import Signer, create_key_file

    path = file or Path(os.environ.get("SIGHTLEDGER_RECEIPT_KEY_FILE", "receipt-key.pem"))
    try:
        create_key_file(path)
    except FileExistsError:
        _stop(f"{path} exists and is left as it is.", REFUSED)
    except OSError as error:
        _stop(f"{path} cannot be written: {error.strerror}.", NOT_SET_UP)
    typer.echo(f"{path}: key {Signer.load(path).key_id}. Keep a copy in a safe place.", err=True)


@app.command()
def audit(
    share: Annotated[
        bool, typer.Option("--share", help="as many as one run of the schedule; default")
    ] = False,
    every: Annotated[bool, typer.Option("--all", help="every original")] = False,
    digest: Annotated[list[str] | None, typer.Option(help="this one; may be given more than once")] = None,
) -> None:
    """Read originals back from the store and compare them with their digest; changes nothing there.

    Ends with 3 when one is damaged, missing or unreadable.
    """
    from service.custody.actions import audit as audits

    if share + every + bool(digest) > 1:
        _stop("Give one of --share, --all and --digest.", NOT_SET_UP)

    async def run(db: Database, holding: Holding) -> dict[str, int]:
        if digest:
            return await audits.audit_digests(db, holding, digest)
        if every:
            return await audits.audit_all(db, holding, _progress)
        return await audits.audit_share(db, holding, read_settings().audit_days, _progress)

    counts = _with_store(run)
    typer.echo(", ".join(f"{number} {outcome}" for outcome, number in counts.items()))
    if digest and sum(counts.values()) < len(set(digest)):
        _stop("Not every digest given is one of an image that is held here.", REFUSED)
    if any(number for outcome, number in counts.items() if outcome != "sound"):
        _stop("The log names each that is not sound; the page /custody shows where it was seen.", NOT_SOUND)


def _progress(done: int, number: int) -> None:
    if sys.stderr.isatty():
        typer.echo(f"\r{done} of {number}", nl=done == number, err=True)


@app.command()
def sweep(
    delete: Annotated[
        bool, typer.Option("--delete", help="delete them; never after a restore of an older backup")
    ] = False,
    days: Annotated[
        int | None, typer.Option(min=1, help="how old by the store's clock; default SIGHTLEDGER_SWEEP_DAYS")
    ] = None,
) -> None:
    """List objects in the store that nothing here names, one a line: key, bytes, since when."""
    from service.custody.actions.sweep import Swept
    from service.custody.actions.sweep import sweep as run_sweep

    age = days or read_settings().sweep_days

    async def run(db: Database, holding: Holding) -> Swept:
        return await run_sweep(db, holding, age, delete=delete)

    found = _with_store(run)
    for one in found.orphans:
        typer.echo(f"{one.key}\t{one.size}\t{one.modified:%Y-%m-%dT%H:%M:%SZ}")
    typer.echo(", ".join(f"{number} {name}" for name, number in found.counts().items()), err=True)


@app.command()
def retention(
    site: Annotated[str, typer.Argument(help="the site's code")],
    days: Annotated[int | None, typer.Option(min=0, max=36_500, help="0: no locks any more")] = None,
    mode: Annotated[str, typer.Option(help="governance or compliance")] = "governance",
) -> None:
    """Say for how many days a site's originals are locked in the store; without --days show it."""
    import msgspec

    from service.contract.custody import Retention, RetentionIn
    from service.custody.actions import record_retention, standing_retention

    async def run(db: Database) -> Retention:
        async with db.begin() as connection:
            if days is None:
                return await standing_retention(connection, site)
            wanted = msgspec.convert({"days": days, "mode": mode}, RetentionIn)
            return await record_retention(connection, site, wanted, by=None)

    try:
        told = _with_database(run)
    except msgspec.ValidationError as error:
        _stop(f"The policy cannot be recorded: {error}.", REFUSED)
    typer.echo(f"{told.site}: {told.days} days, {told.mode}")


def _with_store(use: Callable[[Database, Holding], Awaitable[T]]) -> T:
    """Run with database and store; each thing of note is a line of the log."""
    from service.app import open_holding
    from service.observe import configure_logging

    settings = read_settings()
    configure_logging(settings.log_level)
    with closing(open_holding(settings)) as holding:
        return _with_database(lambda db: use(db, holding))


def _with_database(use: Callable[[Database], Awaitable[T]]) -> T:
    settings: Settings = read_settings()

    async def run() -> T:
        db = Database(settings.database_url, pool_size=1)
        try:
            return await use(db)
        finally:
            await db.close()

    return asyncio.run(run())


def _stop(text: str, status: int) -> NoReturn:
    typer.echo(text, err=True)
    raise typer.Exit(status)


def _explain(error: Exception) -> str:
    if isinstance(error, Refusal):
        return " ".join(part for part in (error.detail, error.consequence, error.next_step) if part)
    if isinstance(error, sqlalchemy.exc.ProgrammingError):
        return "The database lacks a table this needs. Run `sightledger migrate` first."
    if isinstance(error, sqlalchemy.exc.DBAPIError | psycopg.Error):
        cause = getattr(error, "orig", None) or error
        return f"The database does not answer as it should (SIGHTLEDGER_DATABASE_URL): {cause}"
    return str(error)


def main() -> None:
    """Run the command; what can be expected to go wrong is told in words, without a traceback."""
    try:
        app()
    except Refusal as error:
        typer.echo(_explain(error), err=True)
        sys.exit(REFUSED)
    except (SettingError, sqlalchemy.exc.DBAPIError, psycopg.Error) as error:
        typer.echo(_explain(error), err=True)
        sys.exit(NOT_SET_UP)


if __name__ == "__main__":
    main()

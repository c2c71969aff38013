"""`sightledger-agent`: enrol, run, prepare, read, rebuild, status, queue."""

from __future__ import annotations

import signal
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import Annotated
from uuid import UUID

import msgspec
import typer
from rich.markup import escape
from rich.table import Table

from agent import screen
from agent.cards.identifying import Said, identify, pick_inspection, plan_of, profile_to_prepare
from agent.cards.preparing import Order, prepare_card
from agent.cards.reading import Card, close_interrupted, read_card
from agent.cards.walking import survey
from agent.client.service import Service
from agent.errors import AgentError, LinkDown
from agent.outbox.database import Damaged, is_damage, now
from agent.outbox.rebuilding import ask_held
from agent.outbox.rebuilding import rebuild as outbox_again
from agent.profiles.schema import SHIPPED
from agent.pushing import push_now
from agent.settings import Enrolment, State, state_at
from agent.standing import queue_facts, status_facts
from agent.sync.progress import read_note, text_of
from agent.sync.pull import pull
from agent.sync.runner import Runner
from agent.wording import size_text, standing_of
from agent.workstation import Workstation, agent_version, platform_text
from service.contract.access import EnrolAgent

EXIT_UNREAD = 4

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Prepares memory cards for inspections, reads them back, and pushes everything to the service.",
)


class _Chosen:
    state: State


@app.callback()
def _options(
    state: Annotated[
        Path | None,
        typer.Option(envvar="SIGHTLEDGER_AGENT_STATE", help="State folder; default: the user's own."),
    ] = None,
) -> None:
    _Chosen.state = state_at(state)


@app.command()
def enrol(
    url: Annotated[str, typer.Argument(help="The service, as this workstation reaches it.")],
    code: Annotated[str, typer.Argument(help="The one-time code.")],
    name: Annotated[str, typer.Option(help="A name for this workstation.")],
) -> None:
    """Make this workstation an agent of a site."""
    if not url.startswith(("http://", "https://")):
        raise AgentError(f"{url} is no address of a service.", "Nothing was done.", "Give it with https://")
    state = _Chosen.state.prepare()
    service = Service(url)
    enrolled = service.enrol(
        EnrolAgent(
            id=state.enrolment_id(code),
            code=code,
            name=name,
            platform=platform_text(),
            version=agent_version(),
        )
    )
    state.keep_enrolment(
        Enrolment(
            url=service.url,
            id=enrolled.id,
            name=name,
            site=enrolled.site,
            site_name=enrolled.site_name,
            time_zone=enrolled.time_zone,
            keys=enrolled.keys,
        ),
        enrolled.token,
    )
    screen.console.print(f"Enrolled as {escape(name)} at {enrolled.site} ({escape(enrolled.site_name)}).")
    with Workstation(state) as station, station.service() as signed_in:
        outcome = pull(station.cache, signed_in, enrolled.site)
    screen.console.print(
        f"Worklist: {outcome.inspections} inspections; plan revisions held: {len(outcome.revisions_new)}."
    )


@app.command()
def run(
    once: Annotated[bool, typer.Option("--once", help="One pass, then end.")] = False,
) -> None:
    """Take each card that is put in, and keep pulling and pushing."""
    runner = Runner(_Chosen.state, screen.log)

    def stop(signum: int, frame: FrameType | None) -> None:
        runner.stop()

    for name in (signal.SIGINT, signal.SIGTERM):
        signal.signal(name, stop)
    if not once:
        screen.log("running; stop with Ctrl-C")
        runner.forever()
        screen.log("stopped")
        return
    troubles = runner.once()
    for trouble in troubles:
        screen.show_error(trouble)
    if troubles:
        raise typer.Exit(troubles[0].exit_code)


@app.command()
def prepare(
    serial: Annotated[str, typer.Argument(help="Serial number of a unit on the worklist.")],
    card: Annotated[Path, typer.Option(help="Where the card is.")],
    profile: Annotated[
        str | None,
        typer.Option(help=f"{', '.join(SHIPPED)}, or a TOML file. Default: that of the site."),
    ] = None,
    scope: Annotated[str | None, typer.Option(help="Which scope the card goes into.")] = None,
    person: Annotated[str | None, typer.Option(help="Who takes it.")] = None,
    inspection: Annotated[UUID | None, typer.Option(help="Which, if the unit has several.")] = None,
) -> None:
    """Write folders and the job sheet of an inspection onto a card."""
    with _workstation() as station:
        brief = pick_inspection(station.cache, serial, inspection)
        plan = plan_of(station.cache, brief.revision_id, brief.build)
        if plan is None:
            raise AgentError(
                f"Plan {brief.plan} revision {brief.revision} is not held on this workstation.",
                "Nothing was written.",
                "Connect once and run: sightledger-agent run --once",
            )
        order = Order(brief, plan, profile_to_prepare(station.state, station.cache, profile), scope, person)
        marker = prepare_card(card, order, station.cache, station.returns, station.enrolment)
    screen.console.print(
        escape(
            f"Prepared card {marker.card_id} for {brief.unit}, {brief.plan} {brief.revision}: "
            f"{len(marker.folders)} folders. Job sheet: SIGHTLEDGER-JOB.html"
        ),
        soft_wrap=True,
    )


@app.command()
def read(
    path: Annotated[Path, typer.Argument(help="Where the card is.")],
    unit: Annotated[
        str | None, typer.Option(help="For a card without marker: a unit of the worklist.")
    ] = None,
    inspection: Annotated[UUID | None, typer.Option(help="Which, if the unit has several.")] = None,
    profile: Annotated[str | None, typer.Option(help="Default: that of the card's marker.")] = None,
    scope: Annotated[str | None, typer.Option()] = None,
    person: Annotated[str | None, typer.Option()] = None,
    shift: Annotated[str | None, typer.Option()] = None,
    complete: Annotated[
        list[str] | None, typer.Option(help="A location that is complete; repeatable.")
    ] = None,
    complete_all: Annotated[bool, typer.Option("--complete-all", help="Every location is complete.")] = False,
    not_inspected: Annotated[list[str] | None, typer.Option(help="LOCATION=REASON; repeatable.")] = None,
    keep_unplaced: Annotated[
        bool, typer.Option("--keep-unplaced", help="Also take a card of another site.")
    ] = False,
    push: Annotated[
        bool | None,
        typer.Option("--push/--no-push", help="Default: try once; --push: wait until it is held."),
    ] = None,
) -> None:
    """Read a card that came back. Nothing on it is changed."""
    said = Said(
        unit, inspection, profile, scope, person, shift, keep_unplaced,
        complete or [], complete_all, not_inspected or [],
    )  # fmt: skip
    if not path.is_dir():
        raise AgentError(
            f"There is no card at {path}.", "Nothing was read.", "Put the card in and try again."
        )
    with _workstation() as station:
        card = identify(station.state, station.cache, station.enrolment, path, said)
        return_id = _read(station, card)
        if push is not False:
            push_now(station, return_id, wait=bool(push))
        row = station.returns.one(return_id)
        assert row is not None
        screen.console.print(escape(standing_of(row)), style="bold", soft_wrap=True)
        unread = bool(station.returns.unread(return_id))
    if unread:
        raise typer.Exit(EXIT_UNREAD)
    if push and row["state"] != "held":
        raise typer.Exit(LinkDown.exit_code)


@contextmanager
def _workstation() -> Iterator[Workstation]:
    """The workstation, its outbox made again if it must be, and what a killed process left set right."""

    def say(text: str) -> None:
        screen.errors.print(escape(text), style="bold", soft_wrap=True)

    with Workstation(_Chosen.state, say, _rebuild_told()) as station:
        close_interrupted(station.state, station.returns, station.spool)
        yield station


def _rebuild_told() -> Callable[[int, int], None]:
    """Says every few seconds how much of the spool has been read."""
    said = time.monotonic()

    def told(files: int, size: int) -> None:
        nonlocal said
        if time.monotonic() - said >= screen.PLAIN_EVERY:
            said = time.monotonic()
            screen.errors.print(f"still reading the spool: {files} files, {size_text(size)}", soft_wrap=True)

    return told


@app.command()
def rebuild() -> None:
    """Look through the whole spool, and make card returns again that the agent's database does not know.

    Nothing is removed. A damaged database is set aside and made anew; that happens by itself as well.
    """
    with _workstation() as station:
        found = outbox_again(station.returns, station.spool, station.state.locks, _rebuild_told())
        close_interrupted(station.state, station.returns, station.spool)
        screen.console.print(escape(found.text()), soft_wrap=True)
        try:
            with station.service() as service:
                held = ask_held(station.returns, service)
            screen.console.print(f"{held} files without a card return here are held by the service")
        except LinkDown as error:
            screen.errors.print(escape(error.detail), soft_wrap=True)


def _read(station: Workstation, card: Card) -> UUID:
    found = survey(card.root)
    screen.console.print(f"{escape(str(card.root))}: still reading - leave the card in", soft_wrap=True)
    with screen.reading_progress(found) as progress:
        progress.say = lambda text: screen.errors.print(escape(text), style="bold", soft_wrap=True)
        return_id = read_card(station.state, station.returns, station.spool, card, found, progress)
    screen.show_return(station.returns, station.cache, return_id, card, station.zone)
    return return_id


@app.command()
def status(
    as_json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """What is held here, and what may be done with each card."""
    with _workstation() as station:
        facts = status_facts(station)
    if as_json:
        sys.stdout.write(msgspec.json.encode(facts).decode("utf-8") + "\n")
        return
    for name in ("agent", "site", "service", "link", "clockOffset", "worklist", "heldRevisions"):
        screen.console.print(escape(f"{name}: {facts[name]}"), soft_wrap=True)
    for one in facts["cardReturns"]:
        who = f"{one['started'][:16]} {one['unit'] or 'no unit'}, {one['files']} files"
        screen.console.print(escape(f"{who}: {one['standing']}"), soft_wrap=True)


@app.command()
def queue(
    as_json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """What is still to be pushed."""
    with _workstation() as station:
        facts = queue_facts(station)
        pushing = read_note(station.state.pushing)
    if as_json:
        sys.stdout.write(msgspec.json.encode(facts).decode("utf-8") + "\n")
        return
    table = Table()
    for heading in ("card return", "unit", "files", "bytes", "age", "next try", "trouble"):
        table.add_column(heading)
    for row in facts["cardReturns"]:
        next_try = (
            datetime.fromtimestamp(row["next_try"], UTC).strftime("%H:%M:%S UTC")
            if row["next_try"]
            else "now"
        )
        age = screen.age_text(datetime.fromisoformat(row["started_at"]), now())
        cells = (row["id"], row["unit"] or "", str(row["files"]), size_text(row["bytes"]), age, next_try)
        table.add_row(*map(escape, cells), escape(row["trouble"] or ""))
    screen.console.print(table)
    screen.say(
        f"pushing {pushing.card_return}: {text_of(pushing)}" if pushing else "nothing is being pushed now"
    )
    screen.console.print(f"{facts['preparations']} prepared cards not yet told to the service")


def main() -> None:
    """The command; ends with the exit code of what went wrong."""
    try:
        app()
    except AgentError as error:
        screen.show_error(error)
        raise SystemExit(error.exit_code) from None
    except sqlite3.DatabaseError as error:
        if not is_damage(error):
            raise
        screen.show_error(
            Damaged(
                f"The agent's database is damaged: {error}.",
                "What was copied lies in the spool and is not lost. Do not wipe any card.",
                "Run the command again: the database is then set aside and made anew from the spool.",
            )
        )
        raise SystemExit(Damaged.exit_code) from None


if __name__ == "__main__":
    main()

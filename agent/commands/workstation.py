"""Making a workstation, running it, and seeing what it holds."""

from __future__ import annotations

import signal
import sys
from datetime import UTC, datetime
from types import FrameType
from typing import Annotated

import msgspec
import typer
from rich.table import Table

from agent import screen
from agent.cards.reading import close_interrupted
from agent.client.http import is_loopback
from agent.client.service import Service
from agent.clock import now
from agent.commands.opening import chosen, opened, spool_read_lines
from agent.errors import AgentError, LinkDown
from agent.outbox.rebuilding import ask_held
from agent.outbox.rebuilding import rebuild as outbox_again
from agent.running.runner import Runner
from agent.screen import escape
from agent.settings import Enrolment
from agent.status import queue_facts, status_facts, status_lines
from agent.sync.progress import read_note, text_of
from agent.sync.pull import pull
from agent.workstation import Workstation, agent_version, platform_text
from service.contract.access import EnrolAgent
from service.contract.showing import size_words


def enrol(
    url: Annotated[str, typer.Argument(help="The service, as this workstation reaches it.")],
    code: Annotated[str, typer.Argument(help="The one-time code.")],
    name: Annotated[str, typer.Option(help="A name for this workstation.")],
    unprotected: Annotated[
        bool, typer.Option("--unprotected", help="Take http:// although the service is another computer.")
    ] = False,
) -> None:
    """Make this workstation an agent of a site."""
    if not url.startswith(("http://", "https://")):
        raise AgentError(f"{url} is no address of a service.", "Nothing was done.", "Give it with https://")
    if url.startswith("http://") and not is_loopback(url) and not unprotected:
        raise AgentError(
            f"{url} leads to another computer without protection: whoever listens on the way could act as "
            "this workstation.",
            "Nothing was done, and the code was not sent.",
            "Give the address with https://. Only where the network itself is protected: --unprotected",
        )
    state = chosen.state.prepare()
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


def run(
    once: Annotated[bool, typer.Option("--once", help="One pass, then end.")] = False,
) -> None:
    """Take each card that is put in, and keep pulling and pushing."""
    runner = Runner(chosen.state, screen.log)

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


def rebuild() -> None:
    """Look through the whole spool, and make card returns again that the agent's database does not know.

    Nothing is removed. A damaged database is set aside and made anew; that happens by itself as well.
    """
    with opened() as station:
        found = outbox_again(station.outbox, station.spool, station.state.locks, spool_read_lines())
        close_interrupted(station.state, station.outbox, station.spool)
        screen.say(found.text())
        try:
            with station.service() as service:
                explained = ask_held(station.outbox.originals, service)
            screen.console.print(f"{explained} files without a card return here are held by the service")
        except LinkDown as error:
            screen.errors.print(escape(error.detail), soft_wrap=True)


def status(
    as_json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """What is held here, and what may be done with each card."""
    with opened() as station:
        facts = status_facts(station)
    if as_json:
        sys.stdout.write(msgspec.json.encode(facts).decode("utf-8") + "\n")
        return
    for line in status_lines(facts):
        screen.say(line)


def queue(
    as_json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """What is still to be pushed."""
    with opened() as station:
        facts = queue_facts(station)
        pushing = read_note(station.state.pushing)
    if as_json:
        sys.stdout.write(msgspec.json.encode(facts).decode("utf-8") + "\n")
        return
    table = Table()
    for heading in ("card return", "unit", "files", "bytes", "age", "next try", "trouble"):
        table.add_column(heading)
    for waiting in facts["cardReturns"]:
        due = waiting["nextTry"]
        next_try = datetime.fromtimestamp(due, UTC).strftime("%H:%M:%S UTC") if due else "now"
        age = screen.age_text(datetime.fromisoformat(waiting["started"]), now())
        files, size = str(waiting["files"]), size_words(waiting["bytes"])
        cells = (waiting["id"], waiting["unit"] or "", files, size, age, next_try)
        table.add_row(*map(escape, cells), escape(waiting["trouble"] or ""))
    screen.console.print(table)
    screen.say(
        f"pushing {pushing.card_return}: {text_of(pushing)}" if pushing else "nothing is being pushed now"
    )
    screen.console.print(f"{facts['preparations']} prepared cards not yet told to the service")

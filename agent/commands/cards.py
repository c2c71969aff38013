"""Preparing cards and reading them back."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated
from uuid import UUID

import typer

from agent import screen
from agent.cards.identifying import identify, pick_inspection, plan_of, profile_to_prepare
from agent.cards.preparing import CardToPrepare, prepare_card
from agent.cards.reading import read_card
from agent.cards.stating import Given, person_of_site
from agent.cards.taking import Card
from agent.cards.walking import survey
from agent.commands.opening import opened
from agent.errors import AgentError, LinkDown
from agent.profiles.schema import SHIPPED
from agent.pushing import push_now, relief
from agent.screen import escape
from agent.wording import custody_words
from agent.workstation import Workstation

EXIT_UNREAD = 4


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
    with opened() as station:
        brief = pick_inspection(station.cache, serial, inspection)
        plan = plan_of(station.cache, brief.revision_id, brief.build)
        if plan is None:
            raise AgentError(
                f"Plan {brief.plan} revision {brief.revision} is not held on this workstation.",
                "Nothing was written.",
                "Connect once and run: sightledger-agent run --once",
            )
        wanted = CardToPrepare(
            brief, plan, profile_to_prepare(station.state, station.cache, profile), scope, person
        )
        marker = prepare_card(card, wanted, station.cache, station.outbox, station.enrolment)
    screen.say(
        f"Prepared card {marker.card_id} for {brief.unit}, {brief.plan} {brief.revision}: "
        f"{len(marker.folders)} folders. Job sheet: SIGHTLEDGER-JOB.html"
    )


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
    whole_card: Annotated[
        bool,
        typer.Option(
            "--whole-card", help="--person has seen that this is a whole card, although it has no marker."
        ),
    ] = False,
    push: Annotated[
        bool | None,
        typer.Option("--push/--no-push", help="Default: try once; --push: wait until it is held."),
    ] = None,
) -> None:
    """Read a card that came back. Nothing on it is changed."""
    given = Given(
        unit, inspection, profile, scope, person, shift, keep_unplaced, whole_card,
        complete or [], complete_all, not_inspected or [],
    )  # fmt: skip
    if not path.is_dir():
        raise AgentError(
            f"There is no card at {path}.", "Nothing was read.", "Put the card in and try again."
        )
    with opened() as station:
        card = identify(station.state, station.cache, station.enrolment, path, given)
        return_id = _read(station, card, relieving=push is not False)
        if push is not False:
            return_id = push_now(station, return_id, wait=bool(push))
        shown = station.outbox.returns.shown(return_id)
        screen.console.print(escape(custody_words(shown)), style="bold", soft_wrap=True)
        unread = bool(station.outbox.unread.of(return_id))
    if unread:
        raise typer.Exit(EXIT_UNREAD)
    if push and shown.state != "held":
        raise typer.Exit(LinkDown.exit_code)


def _read(station: Workstation, card: Card, relieving: bool) -> UUID:
    found = survey(card.root)
    screen.say(f"{card.root}: still reading - leave the card in")
    with screen.reading_progress(found) as progress:
        progress.say = screen.warn
        if relieving:
            progress.relieve = relief(station, progress.say)
        return_id = read_card(station.state, station.outbox, station.spool, card, found, progress)
    screen.show_return(station.outbox, station.cache, return_id, card, station.zone)
    return return_id


def confirm(
    card_return: Annotated[UUID, typer.Argument(help="The card return, as `status` names it.")],
    person: Annotated[str, typer.Option(help="Who has seen that a whole card was read.")],
) -> None:
    """Say that what was read was a whole card, so that its wipe can be cleared once everything is held."""
    with opened() as station:
        if station.outbox.returns.find(card_return) is None:
            raise AgentError(
                f"There is no card return {card_return} on this workstation.",
                "Nothing was changed.",
                "Take the id from: sightledger-agent status",
            )
        shown = station.outbox.returns.shown(card_return)
        if shown.state == "reading" or not shown.complete or shown.extent == "part":
            raise AgentError(
                f"This cannot be confirmed: {custody_words(shown)}.",
                "Nothing was changed. Do not wipe the card.",
            )
        name = person_of_site(
            station.cache, person, "a confirmation", "Nothing was changed. Do not wipe the card."
        )
        station.outbox.returns.confirm(card_return, name)
        screen.say(custody_words(station.outbox.returns.shown(card_return)))

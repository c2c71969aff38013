"""What this site owes, as the last pull said, and the words that may be used for it."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

import typer
from rich.table import Table

from agent import screen
from agent.cards.identifying import pick_inspection, plan_of, profile_to_read, subject_of, usual_profile
from agent.cards.stating import REASONS, Given, make_statements
from agent.commands.opening import opened
from agent.errors import AgentError, LinkDown
from agent.outbox.statements import locations_text
from agent.screen import escape
from agent.sync.refused import refused_lines
from agent.sync.spoken import push_spoken
from agent.workstation import Workstation
from service.contract.work import InspectionBrief, LocationBrief

ANSWERED = frozenset({"complete", "omission_authorised"})


def work(
    serial: Annotated[str | None, typer.Argument(help="A unit; without one, all that is open here.")] = None,
    inspection: Annotated[UUID | None, typer.Option(help="Which, if the unit has several.")] = None,
) -> None:
    """What this site owes: open inspections, and of one unit each location. Works without a link."""
    with opened() as station:
        if serial is not None:
            _show_unit(station, pick_inspection(station.cache, serial, inspection))
            return
        worklist = station.cache.worklist()
        if worklist is None:
            raise AgentError(
                "No worklist has been pulled yet.",
                "What the site owes is not known here.",
                "Connect once and run: sightledger-agent run --once",
            )
        table = Table(title=f"Open inspections at {worklist.site}", title_justify="left")
        for heading in ("unit", "position", "campaign", "plan"):
            table.add_column(heading)
        for heading in ("locations", "answered", "pictures missing"):
            table.add_column(heading, justify="right")
        for brief in worklist.inspections:
            owed = [location for location in brief.locations if location.state != "not_applicable"]
            counts = (
                len(owed),
                sum(location.state in ANSWERED for location in owed),
                sum(_missing(location) for location in owed),
            )
            words = (brief.unit, brief.position or "", brief.campaign, f"{brief.plan} {brief.revision}")
            table.add_row(*map(escape, words), *map(str, counts))
        screen.console.print(table)
        document = station.cache.document("worklist")
        assert document is not None
        screen.say(
            f"as pulled {document.fetched_at:%Y-%m-%d %H:%M} UTC; cards read since are not counted yet"
        )


def _missing(location: LocationBrief) -> int:
    return max(0, location.pictures_required - location.pictures_held)


def _show_unit(station: Workstation, brief: InspectionBrief) -> None:
    plan = plan_of(station.cache, brief.revision_id, brief.build)
    names = {location.key: location.name for location in plan.locations()} if plan else {}
    title = f"{brief.unit}, {brief.campaign}, {brief.plan} {brief.revision}"
    table = Table(title=escape(title), title_justify="left")
    for heading in ("location", "name", "stands as"):
        table.add_column(heading)
    for heading in ("pictures required", "held"):
        table.add_column(heading, justify="right")
    for location in brief.locations:
        words = (location.key, names.get(location.key, ""), location.state.replace("_", " "))
        counts = (location.pictures_required, location.pictures_held)
        table.add_row(*map(escape, words), *map(str, counts))
    screen.console.print(table)


def reasons() -> None:
    """The reasons that may be given for not inspecting a location. Works without a link."""
    with opened() as station:
        terms = {code: term for code, term in station.cache.terms().items() if code.startswith(REASONS)}
        if not terms:
            raise AgentError(
                "No list of reasons has been pulled yet.",
                next_step="Connect once and run: sightledger-agent run --once",
            )
        for code, term in terms.items():
            screen.say(f"{code}  {term}")


def state(
    serial: Annotated[str | None, typer.Argument(help="A unit of the worklist.")] = None,
    person: Annotated[str | None, typer.Option(help="Who says so: one of the people of the site.")] = None,
    inspection: Annotated[UUID | None, typer.Option(help="Which, if the unit has several.")] = None,
    complete: Annotated[list[str] | None, typer.Option(help="A complete location; repeatable.")] = None,
    complete_all: Annotated[bool, typer.Option("--complete-all", help="Every location is complete.")] = False,
    not_inspected: Annotated[list[str] | None, typer.Option(help="LOCATION=REASON; repeatable.")] = None,
    reopened: Annotated[
        list[str] | None, typer.Option(help="A location to be inspected again; repeatable.")
    ] = None,
    aside: Annotated[
        UUID | None, typer.Option(help="Put aside a statement that the service did not take, by its id.")
    ] = None,
) -> None:
    """Say of locations what is done, without a card. Works without a link: it goes when the link is there."""
    with opened() as station:
        if aside is not None:
            _put_aside(station, aside)
            return
        given = Given(
            person=person,
            complete=complete or [],
            complete_all=complete_all,
            not_inspected=not_inspected or [],
            reopened=reopened or [],
        )
        if serial is None or not given.states_something:
            raise AgentError(
                "A statement names a unit and says something of it.",
                "Nothing was stated.",
                "Give SERIAL and one of --complete, --complete-all, --not-inspected, --reopened.",
            )
        brief = pick_inspection(station.cache, serial, inspection)
        profile = profile_to_read(station.state, None, usual_profile(station.state, station.cache))
        made = make_statements(station.cache, subject_of(station.cache, profile, brief), given)
        for statement in made:
            station.outbox.spoken.add(statement)
        for statement in made:
            kind = statement.kind.replace("_", " ")
            screen.say(f"{brief.unit}, {locations_text(statement)}: {kind}, says {statement.stated_by}")
        _send(station)


def _put_aside(station: Workstation, statement_id: UUID) -> None:
    refused = {refusal.statement.id for refusal in station.outbox.spoken.refused()}
    if statement_id not in refused:
        raise AgentError(
            f"No statement {statement_id} is here that the service did not take.",
            "Nothing was changed.",
            "Take the id from: sightledger-agent status",
        )
    station.outbox.spoken.note_done(statement_id)
    screen.say("put aside; it is kept here and no longer shown")


def _send(station: Workstation) -> None:
    try:
        with station.service() as service:
            push_spoken(station.outbox.spoken, service)
    except LinkDown as error:
        screen.say(f"kept here; it goes by itself when the link is there ({error.detail})")
        return
    for line in refused_lines(station.outbox):
        screen.warn(line)

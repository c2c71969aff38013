"""Campaigns: `campaign add`, `campaign import`. The record names who opened one, so a person does it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from functools import partial
from itertools import groupby, islice
from typing import TYPE_CHECKING, Annotated
from uuid import UUID

import msgspec
import typer

from service.commands.lines import Csv, Line, Taken, read_lines, record_of_options, take_each
from service.commands.passwords import As, PasswordFile, PasswordStdin, person_at_hand
from service.contract.campaigns import Campaign, CampaignIn, Name, Serial
from service.contract.wire import Code, new_id
from service.errors import Conflict, Refusal

if TYPE_CHECKING:
    from service.access.rules import Caller
    from service.database import Database

# So many units are added in one transaction; if one of them is refused, each is tried by itself.
AT_ONCE = 200


class CampaignLine(msgspec.Struct, kw_only=True, forbid_unknown_fields=True, frozen=True):
    name: Name
    plan: Code
    opens: date
    closes: date
    unit: Serial

    @property
    def campaign(self) -> tuple[str, str, date, date]:
        return self.name, self.plan, self.opens, self.closes


def add(
    name: Annotated[str, typer.Argument(help="a name that no other campaign has")],
    plan: Annotated[str, typer.Option(help="code of the standard plan")],
    opens: Annotated[str, typer.Option(help="first day, such as 2026-09-01")],
    closes: Annotated[str, typer.Option(help="last day")],
    unit: Annotated[list[str], typer.Option(help="a serial number; may be given more than once")],
    by: As,
    password_file: PasswordFile = None,
    password_stdin: PasswordStdin = False,
) -> None:
    """Open a campaign over units, or add units to it. The same again changes nothing."""
    given = {"name": name, "plan": plan, "opens": opens, "closes": closes}
    lines = [record_of_options(CampaignLine, {**given, "unit": serial}) for serial in unit]
    person = person_at_hand(by, password_file, password_stdin)
    fresh = person.does(lambda db, caller: _take(db, caller, lines))
    typer.echo(f"Campaign {name}: {fresh} units added, {len(lines) - fresh} there already.", err=True)


def import_(
    file: Csv, by: As, password_file: PasswordFile = None, password_stdin: PasswordStdin = False
) -> None:
    """Open campaigns of a file with the columns name,plan,opens,closes,unit: a line per unit.

    Each line is taken or refused by itself; the same file again changes nothing.
    """
    taken = Taken()
    lines = read_lines(file, CampaignLine, taken)
    person = person_at_hand(by, password_file, password_stdin)
    person.does(lambda db, caller: _take_lines(db, caller, lines, taken))
    taken.end("units of campaigns")


async def _take_lines(
    db: Database, caller: Caller, lines: Iterator[Line[CampaignLine]], taken: Taken
) -> None:
    for _, of_campaign in groupby(lines, key=lambda line: line.record.campaign):
        while batch := list(islice(of_campaign, AT_ONCE)):
            try:
                fresh = await _take(db, caller, [line.record for line in batch])
            except Refusal:
                await take_each(iter(batch), taken, partial(_take_line, db, caller))
            else:
                taken.fresh += fresh
                taken.known += len(batch) - fresh


async def _take_line(db: Database, caller: Caller, line: CampaignLine) -> bool:
    return bool(await _take(db, caller, [line]))


async def _take(db: Database, caller: Caller, lines: Sequence[CampaignLine]) -> int:
    """Add the units of one campaign, all or none, opening it if need be; returns how many were new."""
    from service.campaigns.actions import opening

    of, serials = lines[0], [line.unit for line in lines]
    known = await _named(db, caller, of.name)
    if known is None:
        campaign = CampaignIn(name=of.name, plan=of.plan, opens=of.opens, closes=of.closes, units=serials)
        made = await opening.put_campaign(db, caller, new_id(), campaign, unchanged=None)
        return made.inspections
    if (known.plan, known.opens, known.closes) != (of.plan, of.opens, of.closes):
        raise Conflict(
            f"Campaign {of.name} is open over plan {known.plan} from {known.opens} to {known.closes}.",
            next_step="Give these, or another name for another campaign. To change its window: "
            f"PUT /api/v1/campaigns/{known.id}.",
        )
    return (await opening.add_units(db, caller, known.id, serials)).inspections - known.inspections


async def _named(db: Database, caller: Caller, name: str) -> Campaign | None:
    from service.campaigns.actions import reading

    before: UUID | None = None
    while True:
        page, before = await reading.list_campaigns(db, caller, before=before, limit=100)
        for campaign in page:
            if campaign.name == name:
                return campaign
        if before is None:
            return None

"""Units: `unit add`, `unit import`."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Annotated, Literal

import msgspec
import typer

from service.access.rules import OPERATOR
from service.commands.lines import Csv, import_each, record_of_options
from service.commands.opening import found, tell_recorded, with_database
from service.contract.records import UnitIn
from service.contract.wire import Code, Text, new_id
from service.errors import Conflict

if TYPE_CHECKING:
    from service.database import Database


class UnitLine(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    serial: Code
    type: Code
    build: Code
    site: Code
    since: date
    position: Text | None = None
    invented: Literal["yes", "no"] = "no"


def add(
    serial: Annotated[str, typer.Argument(help="the serial number, as it stands on the nameplate")],
    type_code: Annotated[str, typer.Option("--type")],
    build: Annotated[str, typer.Option()],
    site: Annotated[str, typer.Option(help="the code of the site where it stands")],
    since: Annotated[str, typer.Option(help="since when it stands there, such as 2026-09-01")],
    position: Annotated[str | None, typer.Option(help="where at the site")] = None,
    invented: Annotated[bool, typer.Option("--invented", help="for a try: shown as no real unit")] = False,
) -> None:
    """Record a unit. The same again changes nothing."""
    given = {
        "serial": serial,
        "type": type_code,
        "build": build,
        "site": site,
        "since": since,
        "position": position,
        "invented": "yes" if invented else "no",
    }
    line = record_of_options(UnitLine, given)
    fresh = with_database(lambda db: _take(db, line))
    tell_recorded(f"Unit {serial}", fresh)


def import_(file: Csv) -> None:
    """Record units of a file with the columns serial,type,build,site,since and, if need be, position and
    invented (yes or no).

    Each line is taken or refused by itself; the same file again changes nothing.
    """
    import_each(file, UnitLine, "units", _take)


async def _take(db: Database, line: UnitLine) -> bool:
    from service.records.actions.units import read_unit
    from service.units.actions import create_unit

    recorded = await found(read_unit(db, OPERATOR, line.serial))
    unit = UnitIn(
        id=new_id() if recorded is None else recorded.id,
        type=line.type,
        build=line.build,
        site=line.site,
        since=line.since,
        position=line.position,
        invented=line.invented == "yes",
    )
    try:
        await create_unit(db, OPERATOR, line.serial, unit)
    except Conflict as conflict:
        if recorded is None:
            raise
        stands = ", ".join(
            f"since {at.since} at {at.site}{f' ({at.position})' if at.position else ''}"
            for at in recorded.positions
        )
        raise Conflict(
            f"Unit {line.serial} is recorded otherwise: type {recorded.type}, build {recorded.build}, "
            f"{stands}{', invented' if recorded.invented else ''}.",
            next_step="What is recorded stays. If the unit was moved, record a further position of it: "
            f"POST /api/v1/units/{line.serial}/positions.",
        ) from conflict
    return recorded is None

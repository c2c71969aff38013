"""People of a site without an account, in whose name a workstation may state something: `person add`,
`person import`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import msgspec
import typer

from service.access.rules import OPERATOR
from service.commands.lines import Csv, import_each, record_of_options
from service.commands.opening import with_database
from service.contract.access import PersonName, SitePeople
from service.contract.wire import Code
from service.errors import Conflict

if TYPE_CHECKING:
    from service.database import Database


class PersonLine(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    site: Code
    name: PersonName


def add(
    name: Annotated[str, typer.Argument(help="as it is to stand in the record")],
    site: Annotated[str, typer.Option(help="the code of the site where this person works")],
) -> None:
    """Enter a person on the register of a site. The same again changes nothing."""
    line = record_of_options(PersonLine, {"site": site, "name": name})
    fresh = with_database(lambda db: _take(db, line))
    typer.echo(f"{name} is on the register of {site}{'' if fresh else ' already'}.", err=True)


def import_(file: Csv) -> None:
    """Enter people of a file with the columns site,name on the registers of their sites.

    Each line is taken or refused by itself; the same file again changes nothing. Nobody is taken off.
    """
    import_each(file, PersonLine, "people", _take)


async def _take(db: Database, line: PersonLine) -> bool:
    from service.access.actions import register

    before = await register.read_register(db, OPERATOR, line.site)
    if line.name in before.names:
        return False

    def check(now: SitePeople) -> None:
        if now.names != before.names:
            raise Conflict(
                f"The register of {line.site} was changed at the same moment.", next_step="Enter it again."
            )

    enlarged = SitePeople(names=[*before.names, line.name])
    await register.put_register(db, OPERATOR, line.site, enlarged, check)
    return True

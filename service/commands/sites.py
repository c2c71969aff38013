"""Sites: `site add`, `site import`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import msgspec
import typer

from service.access.rules import OPERATOR
from service.commands.lines import Csv, import_each, record_of_options
from service.commands.opening import found, tell_recorded, with_database
from service.contract.access import Site, SiteIn
from service.contract.wire import Code
from service.errors import Conflict

if TYPE_CHECKING:
    from service.database import Database

Name = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
Change = Annotated[bool, typer.Option("--change", help="change what is recorded otherwise")]


class SiteLine(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    code: Code
    name: Name
    kind: Annotated[str, msgspec.Meta(min_length=1, max_length=64)]
    time_zone: Annotated[str, msgspec.Meta(min_length=1, max_length=64)]
    card_profile: Code | None = None


def add(
    code: Annotated[str, typer.Argument(help="short and lasting: letters, digits and . _ -")],
    name: Annotated[str, typer.Option()],
    kind: Annotated[str, typer.Option(help="what it is, in a word or two: wind farm, test bed")],
    time_zone: Annotated[str, typer.Option(help="of the IANA database, such as Europe/Dublin")],
    card_profile: Annotated[str | None, typer.Option(help="by which its cards are prepared")] = None,
    change: Change = False,
) -> None:
    """Record a site. The same again changes nothing."""
    given = {"code": code, "name": name, "kind": kind, "time_zone": time_zone, "card_profile": card_profile}
    line = record_of_options(SiteLine, given)
    fresh = with_database(lambda db: _take(db, line, change))
    tell_recorded(f"Site {code}", fresh)


def import_(file: Csv, change: Change = False) -> None:
    """Record sites of a file with the columns code,name,kind,time_zone,[card_profile].

    Each line is taken or refused by itself; the same file again changes nothing.
    """
    import_each(file, SiteLine, "sites", lambda db, line: _take(db, line, change))


async def _take(db: Database, line: SiteLine, change: bool) -> bool:
    from service.access.actions.sites import put_site, read_site

    def check(recorded: Site) -> None:
        if not change:
            raise Conflict(
                f"Site {line.code} is recorded as {recorded.name}, {recorded.kind}, "
                f"{recorded.time_zone}, card profile {recorded.card_profile or 'none'}.",
                next_step="To change it to what is given, use --change.",
            )

    before = await found(read_site(db, OPERATOR, line.code))
    # A card profile that is not given stays as recorded.
    card_profile = line.card_profile or (before.card_profile if before else None)
    content = SiteIn(name=line.name, kind=line.kind, time_zone=line.time_zone, card_profile=card_profile)
    return await put_site(db, OPERATOR, line.code, content, check) != before

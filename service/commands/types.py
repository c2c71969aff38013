"""Equipment types and their builds: `type add`, `type import`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import msgspec
import typer

from service.access.rules import OPERATOR
from service.commands.lines import Csv, import_each, record_of_options
from service.commands.opening import REFUSED, found, stop, tell_recorded, with_database
from service.contract.plans import BuildIn, Name, TypeIn
from service.contract.wire import Code, new_id
from service.errors import Conflict

if TYPE_CHECKING:
    from service.database import Database


class TypeLine(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    code: Code
    name: Name
    build: Code
    build_name: Name


def add(
    code: Annotated[str, typer.Argument(help="short and lasting: letters, digits and . _ -")],
    name: Annotated[str, typer.Option()],
    build: Annotated[list[str], typer.Option(help="CODE=NAME of a build; may be given more than once")],
) -> None:
    """Record an equipment type with its builds, or further builds of it. The same again changes nothing."""
    lines = []
    for text in build:
        build_code, equals, build_name = text.partition("=")
        if not equals:
            stop(f"Nothing was recorded: --build {text!r} is not written CODE=NAME.", REFUSED)
        given = {"code": code, "name": name, "build": build_code, "build_name": build_name}
        lines.append(record_of_options(TypeLine, given))

    async def take_all(db: Database) -> bool:
        return any([await _take(db, line) for line in lines])

    fresh = with_database(take_all)
    tell_recorded(f"Type {code}", fresh)


def import_(file: Csv) -> None:
    """Record types and builds of a file with the columns code,name,build,build_name: a line per build.

    Each line is taken or refused by itself; the same file again changes nothing.
    """
    import_each(file, TypeLine, "builds", _take)


async def _take(db: Database, line: TypeLine) -> bool:
    from service.plans.actions import catalogue

    recorded = await found(catalogue.read_type(db, OPERATOR, line.code))
    if recorded is not None and recorded.name != line.name:
        raise Conflict(
            f"Type {line.code} is recorded with the name {recorded.name}; a type keeps its name.",
            next_step="Give that name, or another code for another type.",
        )
    builds = {} if recorded is None else {build.code: build.name for build in recorded.builds}
    if builds.get(line.build, line.build_name) != line.build_name:
        raise Conflict(
            f"Build {line.build} of type {line.code} is recorded with the name {builds[line.build]}; a build "
            "keeps its name.",
            next_step="Give that name, or another code for another build.",
        )
    if recorded is None:
        await catalogue.put_type(db, OPERATOR, line.code, TypeIn(id=new_id(), name=line.name))
    if line.build in builds:
        return False
    new_build = BuildIn(id=new_id(), name=line.build_name)
    await catalogue.put_build(db, OPERATOR, line.code, line.build, new_build)
    return True

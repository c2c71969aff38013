"""Equipment types and their builds: `type add`, `type import`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import msgspec
import typer

from service.access.rules import OPERATOR
from service.commands.lines import Csv, import_each, record_of_options
from service.commands.opening import REFUSED, stop, with_database
from service.contract.plans import BuildIn, EquipmentType, Name, TypeIn
from service.contract.wire import Code, new_id
from service.errors import Conflict, NotFound

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
    for one in build:
        build_code, equals, build_name = one.partition("=")
        if not equals:
            stop(f"Nothing was recorded: --build {one!r} is not written CODE=NAME.", REFUSED)
        given = {"code": code, "name": name, "build": build_code, "build_name": build_name}
        lines.append(record_of_options(TypeLine, given))

    async def take_all(db: Database) -> bool:
        return any([await _take(db, line) for line in lines])

    fresh = with_database(take_all)
    typer.echo(f"Type {code} is recorded." if fresh else f"Type {code} is recorded so already.", err=True)


def import_(file: Csv) -> None:
    """Record types and builds of a file with the columns code,name,build,build_name: a line per build.

    Each line is taken or refused by itself; the same file again changes nothing.
    """
    import_each(file, TypeLine, "builds", _take)


async def _take(db: Database, line: TypeLine) -> bool:
    from service.plans.actions import catalogue

    held = await _held(db, line.code)
    if held is not None and held.name != line.name:
        raise Conflict(
            f"Type {line.code} is recorded with the name {held.name}; a type keeps its name.",
            next_step="Give that name, or another code for another type.",
        )
    builds = {} if held is None else {build.code: build.name for build in held.builds}
    if builds.get(line.build, line.build_name) != line.build_name:
        raise Conflict(
            f"Build {line.build} of type {line.code} is recorded with the name {builds[line.build]}; a build "
            "keeps its name.",
            next_step="Give that name, or another code for another build.",
        )
    if held is None:
        await catalogue.put_type(db, OPERATOR, line.code, TypeIn(id=new_id(), name=line.name))
    if line.build in builds:
        return False
    wanted = BuildIn(id=new_id(), name=line.build_name)
    await catalogue.put_build(db, OPERATOR, line.code, line.build, wanted)
    return True


async def _held(db: Database, code: str) -> EquipmentType | None:
    from service.plans.actions import catalogue

    try:
        return await catalogue.read_type(db, OPERATOR, code)
    except NotFound:
        return None

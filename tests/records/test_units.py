"""Units: picked, never typed; their positions dated."""

from __future__ import annotations

import asyncio
from datetime import date

import msgspec
import pytest

from service.access.rules import Role
from service.contract.records import PositionIn, UnitIn
from service.contract.wire import new_id
from service.database import Database
from service.errors import Conflict, Invalid, NotAllowed, NotFound
from service.records.actions.units import list_units, move_unit, read_unit
from service.units.actions import create_unit
from tests import factories

pytestmark = pytest.mark.anyio


def _unit(made: factories.Fleet, **more: object) -> UnitIn:
    told = {
        "id": new_id(),
        "type": made.type_code,
        "build": "X",
        "site": made.site,
        "since": date(2026, 1, 1),
    }
    return UnitIn(**told | {"position": "Bay 1"} | more)


async def test_i8_a_unit_is_recorded_once(db: Database) -> None:
    made = await factories.fleet(db)
    manager = await factories.person(db, Role.MANAGER)
    body, serial = _unit(made), f"{made.name}-A1"
    one = await create_unit(db, manager, serial, body)
    assert await create_unit(db, manager, serial, body) == one
    assert (one.serial, one.site, one.build, one.position) == (serial, made.site, "X", "Bay 1")
    for other in (
        _unit(made),
        msgspec.structs.replace(body, build="Y"),
        msgspec.structs.replace(body, position=None),
    ):
        with pytest.raises(Conflict):
            await create_unit(db, manager, serial, other)
    with pytest.raises(Conflict):
        await create_unit(db, manager, serial + "x", body)
    assert await read_unit(db, manager, serial) == one
    inspector = await factories.person(db, Role.INSPECTOR)
    with pytest.raises(NotAllowed):
        await create_unit(db, inspector, serial, body)
    for wrong in (_unit(made, build="Q"), _unit(made, site="NOWHERE")):
        with pytest.raises(Invalid):
            await create_unit(db, manager, f"{made.name}-A2", wrong)


async def test_the_same_creation_twice_at_once_makes_one_unit(db: Database) -> None:
    made = await factories.fleet(db)
    manager = await factories.person(db, Role.MANAGER)
    body = _unit(made)
    first, second = await asyncio.gather(
        *(create_unit(db, manager, f"{made.name}-B1", body) for _ in range(2))
    )
    assert first == second
    assert len(first.positions) == 1


async def test_the_newest_date_says_where_a_unit_stands_whatever_came_in_last(db: Database) -> None:
    made = await factories.fleet(db)
    manager = await factories.person(db, Role.MANAGER)
    serial = f"{made.name}-C1"
    created = await create_unit(db, manager, serial, _unit(made))
    later = PositionIn(id=new_id(), site=made.other_site, since=date(2026, 6, 1), position="Bay 2")
    between = PositionIn(id=new_id(), site=made.site, since=date(2026, 3, 1), position="Store")
    await move_unit(db, manager, serial, later)
    await move_unit(db, manager, serial, between)
    unit = await move_unit(db, manager, serial, between)
    assert (unit.site, unit.position) == (made.other_site, "Bay 2")
    assert [at.position for at in unit.positions] == ["Bay 2", "Store", "Bay 1"]
    with pytest.raises(Conflict):
        await move_unit(db, manager, serial, msgspec.structs.replace(between, position="else"))
    assert (await create_unit(db, manager, serial, _unit(made, id=created.id))).positions == unit.positions


async def test_i12_an_unknown_serial_names_the_nearest_known_ones_of_the_callers_sites(db: Database) -> None:
    made = await factories.fleet(db)
    await factories.add_units(db, made, 30)
    await factories.add_units(db, made, 1, site=made.other_site)
    reader = await factories.person(db, Role.INSPECTOR, at=[made.site])
    with pytest.raises(NotFound) as refused:
        await read_unit(db, reader, f"{made.name}-0O012".lower())
    named = [error.detail for error in refused.value.errors]
    assert f"{made.name}-00012" in named
    assert f"{made.name}-00030" not in named
    stranger = await factories.person(db, Role.INSPECTOR, at=["NOWHERE"])
    with pytest.raises(NotFound) as refused:
        await read_unit(db, stranger, made.made[0])
    assert refused.value.errors == []


async def test_units_are_searched_by_any_part_of_the_serial(db: Database) -> None:
    made = await factories.fleet(db)
    serials = await factories.add_units(db, made, 7)
    await factories.add_units(db, made, 2, site=made.other_site)
    reader = await factories.person(db, Role.INSPECTOR, at=[made.site])

    async def found(
        search: str | None = None, after: str | None = None, limit: int = 100, **more: str
    ) -> list[str]:
        told = {"site": None, "type_code": None} | more
        rows = await list_units(db, reader, search=search, after=after, limit=limit, **told)
        return [row.serial for row in rows]

    assert await found() == serials
    assert await found(search=made.name.lower()) == serials
    assert await found(search="-00003") == serials[3:4]
    assert await found(search="%") == []
    assert await found(search="_") == []
    assert await found(type_code=made.type_code, site=made.site) == serials
    assert await found(type_code="other") == []
    walked: list[str] = []
    while page := await found(after=walked[-1] if walked else None, limit=3):
        walked += page
    assert walked == serials
    with pytest.raises(NotAllowed):
        await found(site=made.other_site)

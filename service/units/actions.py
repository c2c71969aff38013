"""Units: entered once, and where they stand from a date on."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access import store as access
from service.access.rules import Act, Caller
from service.contract.records import PositionIn, Unit, UnitDetail, UnitIn, UnitPosition
from service.database import Database, Row, keys_after, server_now
from service.errors import Conflict, Invalid
from service.facts.projections import State, settle
from service.facts.store import append, append_one
from service.units.store import (
    insert_unit,
    lock_units,
    newest_positions,
    position_by_id,
    positions_of,
    set_position,
    type_and_build,
    unit_by_serial,
    unit_positions,
    units,
    units_by_id,
)

KEYS_AT_ONCE = 500


async def create_unit(db: Database, caller: Caller, serial: str, body: UnitIn) -> UnitDetail:
    """Record a new unit; the same request again answers the same unit (I8)."""
    caller.must(Act.RUN_CAMPAIGN, body.site)
    async with db.begin() as connection:
        stands_at = await known_site(connection, body.site)
        kind = await type_and_build(connection, body.type, body.build)
        if kind is None:
            raise Invalid(
                f"There is no build {body.build} of an equipment type {body.type}.",
                next_step="Use a type and build of the plan library.",
            )
        now = server_now()
        added = await insert_unit(
            connection,
            {
                "id": body.id,
                "serial": serial,
                **kind,
                "site_id": stands_at,
                "position": body.position,
                "created_at": now,
                "invented": body.invented,
            },
        )
        if added:
            await append(connection, unit_positions, [_position(body.id, body.id, stands_at, body)], caller)
        found = await unit_by_serial(connection, serial)
        if found is None or not await _same_unit(connection, found, body):
            raise Conflict(
                f"Serial {serial} or the id {body.id} is taken by another unit.",
                next_step="Look the serial up; record a new position if the unit was moved.",
            )
        return await unit_detail(connection, found)


def _position(position_id: UUID, unit_id: UUID, site_id: UUID, body: UnitIn | PositionIn) -> dict[str, Any]:
    return {
        "id": position_id,
        "unit_id": unit_id,
        "site_id": site_id,
        "position": body.position,
        "since": body.since,
    }


async def stand_at(connection: AsyncConnection, caller: Caller, unit: Row, body: PositionIn) -> UnitDetail:
    """Record where a unit stands from a date on; it stands at the position with the newest date."""
    stands_at = await known_site(connection, body.site)
    await POSITIONS.lock(connection, [unit["id"]])
    position = _position(body.id, unit["id"], stands_at, body)
    await append_one(connection, unit_positions, position, caller, f"Position {body.id}")
    await settle(connection, POSITIONS, [unit["id"]])
    changed = await unit_by_serial(connection, unit["serial"])
    assert changed is not None
    return await unit_detail(connection, changed)


class Positions:
    """Where each unit stands: the position with the newest date."""

    name = "positions"

    async def keys(self, connection: AsyncConnection, after: UUID | None) -> Sequence[UUID]:
        return await keys_after(connection, units.c.id, after, KEYS_AT_ONCE)

    async def lock(self, connection: AsyncConnection, keys: Collection[UUID]) -> None:
        await lock_units(connection, keys)

    async def kept(self, connection: AsyncConnection, keys: Collection[UUID]) -> dict[UUID, State]:
        return {row["id"]: _kept_position(row) for row in await units_by_id(connection, keys)}

    async def fold(self, connection: AsyncConnection, keys: Collection[UUID]) -> dict[UUID, State]:
        newest = await newest_positions(connection, keys)
        return {unit_id: _kept_position(row) for unit_id, row in newest.items()}

    async def write(self, connection: AsyncConnection, states: Mapping[UUID, State]) -> None:
        for unit_id, state in states.items():
            await set_position(connection, unit_id, state["site_id"], state["position"])

    def named(self, key: UUID) -> str:
        return f"unit {key}"


def _kept_position(row: Row) -> State:
    return {"site_id": row["site_id"], "position": row["position"]}


POSITIONS = Positions()


async def known_site(connection: AsyncConnection, code: str) -> UUID:
    """The id of a site; raises Invalid."""
    found = await access.site(connection, code)
    if found is None:
        raise Invalid(f"There is no site {code}.", next_step="Use the code of a recorded site.")
    site_id: UUID = found["id"]
    return site_id


async def _same_unit(connection: AsyncConnection, found: Row, body: UnitIn) -> bool:
    """True when the unit was created by this very request, wherever it stands today."""
    first = await position_by_id(connection, body.id)
    return (
        (found["id"], found["type"], found["build"], found["invented"])
        == (body.id, body.type, body.build, body.invented)
        and first is not None
        and (first["site"], first["position"], first["since"]) == (body.site, body.position, body.since)
    )


async def unit_detail(connection: AsyncConnection, row: Row) -> UnitDetail:
    positions = await positions_of(connection, row["id"])
    return UnitDetail(
        **{name: row[name] for name in Unit.__struct_fields__},
        positions=[
            UnitPosition(**{name: item[name] for name in UnitPosition.__struct_fields__})
            for item in positions
        ],
    )

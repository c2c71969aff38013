"""Units that a caller may see."""

from __future__ import annotations

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.contract.problem import ProblemError
from service.contract.records import PositionIn, Unit, UnitDetail
from service.database import Database, Row
from service.errors import NotFound
from service.records.store import units as unit_rows
from service.units.actions import stand_at, unit_detail
from service.units.rules import nearest


async def visible_unit(connection: AsyncConnection, caller: Caller, serial: str) -> Row:
    """A unit the caller may see; raises NotFound that names the serials most like the one asked for."""
    found = await unit_rows.visible_unit(connection, serial, caller.sites)
    if found is not None:
        return found
    alike = nearest(serial, await unit_rows.serials_like(connection, serial, caller.sites))
    raise NotFound(
        f"There is no unit {serial} at your sites.",
        next_step="Pick or scan the serial number; the nearest known ones are listed." if alike else None,
        errors=[ProblemError(detail=other, path=f"/api/v1/units/{other}") for other in alike],
    )


async def list_units(
    db: Database,
    caller: Caller,
    *,
    search: str | None,
    site: str | None,
    type_code: str | None,
    after: str | None,
    limit: int,
) -> list[Unit]:
    """Units the caller may see, by ascending serial, after the serial `after`."""
    caller.must(Act.READ, site)
    async with db.begin() as connection:
        rows = await unit_rows.units_page(
            connection,
            site_codes=caller.sites,
            search=search,
            site=site,
            type_code=type_code,
            after=after,
            limit=limit,
        )
    return [Unit(**{name: row[name] for name in Unit.__struct_fields__}) for row in rows]


async def read_unit(db: Database, caller: Caller, serial: str) -> UnitDetail:
    """A unit with its positions."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        return await unit_detail(connection, await visible_unit(connection, caller, serial))


async def move_unit(db: Database, caller: Caller, serial: str, body: PositionIn) -> UnitDetail:
    """Record where a unit stands from a date on; it stands at the position with the newest date."""
    caller.must(Act.RUN_CAMPAIGN, body.site)
    async with db.begin() as connection:
        found = await visible_unit(connection, caller, serial)
        caller.must(Act.RUN_CAMPAIGN, found["site"])
        return await stand_at(connection, caller, found, body)

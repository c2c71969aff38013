"""SQL of the units that a caller may see."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.database import Row
from service.plans.store import equipment_types
from service.units.store import unit_view, units


def _visible(site_codes: Collection[str] | None) -> sa.ColumnElement[bool]:
    """Units that stand at these sites, or were inspected there."""
    if site_codes is None:
        return sa.true()
    # inspections belong to campaigns, a context above this one
    inspected = sa.text(
        "EXISTS (SELECT 1 FROM inspections JOIN sites held_at ON held_at.id = inspections.site_id"
        " WHERE inspections.unit_id = units.id AND held_at.code = ANY(:visible_sites))"
    ).bindparams(sa.bindparam("visible_sites", sorted(site_codes), type_=sa.ARRAY(sa.Text)))
    return sites.c.code.in_(list(site_codes)) | sa.type_coerce(inspected, sa.Boolean)


async def visible_unit(
    connection: AsyncConnection, serial: str, site_codes: Collection[str] | None
) -> Row | None:
    """As `unit`, None when the unit neither stands nor was inspected at these sites."""
    found = await connection.execute(unit_view().where(units.c.serial == serial, _visible(site_codes)))
    return found.mappings().one_or_none()


async def units_page(
    connection: AsyncConnection,
    *,
    site_codes: Collection[str] | None,
    search: str | None,
    site: str | None,
    type_code: str | None,
    after: str | None,
    limit: int,
) -> Sequence[Row]:
    """Units by ascending serial, after the serial `after`; `search` is any part of a serial, any case."""
    query = unit_view().where(_visible(site_codes)).order_by(units.c.serial).limit(limit)
    if search:
        query = query.where(units.c.serial.icontains(search, autoescape=True))
    if site is not None:
        query = query.where(sites.c.code == site)
    if type_code is not None:
        query = query.where(equipment_types.c.code == type_code)
    if after is not None:
        query = query.where(units.c.serial > after)
    return (await connection.execute(query)).mappings().all()


# Serials that agree with the asked one in many places, counted from the front or from the back: a short
# list for the closer look in rules.nearest.
_ALIKE = """
SELECT serial FROM unnest(CAST(:serials AS text[])) AS serial
ORDER BY greatest(
    (SELECT count(*) FROM generate_series(1, length(:asked)) i
     WHERE substr(upper(serial), i, 1) = substr(upper(:asked), i, 1)),
    (SELECT count(*) FROM generate_series(1, length(:asked)) i
     WHERE substr(reverse(upper(serial)), i, 1) = substr(reverse(upper(:asked)), i, 1))
) DESC, serial
LIMIT 50
"""


async def serials_like(
    connection: AsyncConnection, asked: str, site_codes: Collection[str] | None
) -> list[str]:
    """At most 50 visible serials that agree with `asked` in the most places."""
    query = sa.select(units.c.serial).join(sites, sites.c.id == units.c.site_id).where(_visible(site_codes))
    known = list(await connection.scalars(query))
    alike = await connection.scalars(sa.text(_ALIKE), {"serials": known, "asked": asked[:64]})
    return list(alike)

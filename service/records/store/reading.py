"""SQL that reads units and images."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.database import Row
from service.plans.store import builds, equipment_types
from service.records.store import unit_positions, units


def _units() -> sa.Select[*tuple[Any, ...]]:
    return (
        sa.select(
            units,
            sites.c.code.label("site"),
            equipment_types.c.code.label("type"),
            builds.c.code.label("build"),
        )
        .join(sites, sites.c.id == units.c.site_id)
        .join(equipment_types, equipment_types.c.id == units.c.type_id)
        .join(builds, builds.c.id == units.c.build_id)
    )


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


async def unit(connection: AsyncConnection, serial: str) -> Row | None:
    """A unit with the codes of its site, type and build."""
    found = await connection.execute(_units().where(units.c.serial == serial))
    return found.mappings().one_or_none()


async def visible_unit(
    connection: AsyncConnection, serial: str, site_codes: Collection[str] | None
) -> Row | None:
    """As `unit`, None when the unit neither stands nor was inspected at these sites."""
    found = await connection.execute(_units().where(units.c.serial == serial, _visible(site_codes)))
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
    query = _units().where(_visible(site_codes)).order_by(units.c.serial).limit(limit)
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


async def positions(connection: AsyncConnection, unit_id: UUID) -> Sequence[Row]:
    """Where a unit stood, the newest first."""
    found = await connection.execute(
        sa.select(unit_positions, sites.c.code.label("site"))
        .join(sites, sites.c.id == unit_positions.c.site_id)
        .where(unit_positions.c.unit_id == unit_id)
        .order_by(unit_positions.c.since.desc(), unit_positions.c.recorded_at.desc(), unit_positions.c.id)
    )
    return found.mappings().all()


async def position(connection: AsyncConnection, position_id: UUID) -> Row | None:
    found = await connection.execute(
        sa.select(unit_positions, sites.c.code.label("site"))
        .join(sites, sites.c.id == unit_positions.c.site_id)
        .where(unit_positions.c.id == position_id)
    )
    return found.mappings().one_or_none()


async def type_and_build(connection: AsyncConnection, type_code: str, build_code: str) -> Row | None:
    """The ids of an equipment type and one of its builds."""
    found = await connection.execute(
        sa.select(equipment_types.c.id.label("type_id"), builds.c.id.label("build_id"))
        .join(builds, builds.c.type_id == equipment_types.c.id)
        .where(equipment_types.c.code == type_code, builds.c.code == build_code)
    )
    return found.mappings().one_or_none()


# The sightings of an image that the caller may see, from a key on: the card came back at one of his sites, or
# the picture stands at a unit or inspection of one. Tables of contexts above are named in text.
_SIGHTINGS = """
SELECT sighting.*, back.card_id, back.person, back.scope, site.code AS site, agent.name AS agent
FROM sightings sighting
JOIN card_returns back ON back.id = sighting.card_return_id
JOIN sites site ON site.id = back.site_id
JOIN agents agent ON agent.id = back.agent_id
WHERE sighting.digest = :digest
  AND (sighting.card_return_id, sighting.ordinal) > (:after_return, :after_ordinal)
  AND (CAST(:sites AS text[]) IS NULL OR site.code = ANY(:sites) OR EXISTS (
    SELECT 1 FROM placements
    JOIN inspections ON inspections.id = placements.inspection_id
    JOIN units ON units.id = inspections.unit_id
    JOIN sites place ON place.id IN (inspections.site_id, units.site_id)
    WHERE placements.sighting_id = sighting.id AND place.code = ANY(:sites)))
ORDER BY sighting.card_return_id, sighting.ordinal
LIMIT :limit
"""

# What is known of the bytes: what the service found in them, else what the least sighting told that took them
# for a picture, else the least of all.
_IMAGE = """
SELECT image.digest, image.size, image.verified_at, image.thumbnail, image.looked_at,
       coalesce(image.marks, told.marks, '{}') AS marks, coalesce(image.exif, told.exif, '{}') AS exif,
       coalesce(image.format, told.format) AS format, coalesce(image.width, told.width) AS width,
       coalesce(image.height, told.height) AS height
FROM images image
LEFT JOIN LATERAL (
    SELECT * FROM sightings seen WHERE seen.digest = image.digest AND image.looked_at IS NULL
    ORDER BY seen.format IS NULL, seen.card_return_id, seen.ordinal LIMIT 1
) told ON true
WHERE image.digest = :digest
"""

_EVER_AT_UNIT = """
SELECT EXISTS (
    SELECT FROM sightings seen
    JOIN placements fact ON fact.sighting_id = seen.id
    JOIN inspections ON inspections.id = fact.inspection_id
    WHERE seen.digest = :digest AND inspections.unit_id = :unit_id
)
"""

_PLACEMENTS = """
SELECT fact.*, unit.serial AS unit, fact.by_name AS by, coalesce(move.reason, binding.reason) AS reason,
       NOT EXISTS (SELECT 1 FROM placements later
                   WHERE later.sighting_id = fact.sighting_id AND fact.id = ANY(later.replaces)) AS standing
FROM placements fact
JOIN inspections inspection ON inspection.id = fact.inspection_id
JOIN units unit ON unit.id = inspection.unit_id
LEFT JOIN picture_moves move ON move.id = fact.move_id
LEFT JOIN bindings binding ON binding.id = fact.binding_id
WHERE fact.sighting_id = ANY(:sighting_ids)
ORDER BY fact.recorded_at, fact.id
"""


def _codes(site_codes: Collection[str] | None) -> list[str] | None:
    return None if site_codes is None else sorted(site_codes)


# Card return and place in its manifest: the order in which the sightings of an image are told.
SightingKey = tuple[UUID, int]
BEFORE_ALL: SightingKey = (UUID(int=0), -1)


async def visible_sightings(
    connection: AsyncConnection,
    digest: str,
    site_codes: Collection[str] | None,
    *,
    after: SightingKey | None = None,
    limit: int = 1,
) -> Sequence[Row]:
    """The sightings of an image the caller may see, in the order of their keys, after the key `after`."""
    return_id, ordinal = after or BEFORE_ALL
    asked = {"digest": digest, "sites": _codes(site_codes), "limit": limit}
    found = await connection.execute(
        sa.text(_SIGHTINGS), {**asked, "after_return": return_id, "after_ordinal": ordinal}
    )
    return found.mappings().all()


async def image(connection: AsyncConnection, digest: str) -> Row | None:
    """An image and what is known of its bytes; `looked_at` None: as agents told it."""
    return (await connection.execute(sa.text(_IMAGE), {"digest": digest})).mappings().one_or_none()


async def ever_at_unit(connection: AsyncConnection, digest: str, unit_id: UUID) -> bool:
    """Whether an image stands or once stood at a unit."""
    return bool(await connection.scalar(sa.text(_EVER_AT_UNIT), {"digest": digest, "unit_id": unit_id}))


_AWAITED = """
SELECT EXISTS (
    SELECT FROM awaited_files JOIN card_returns back ON back.id = awaited_files.card_return_id
    JOIN sites ON sites.id = back.site_id
    WHERE awaited_files.digest = :digest AND (CAST(:sites AS text[]) IS NULL OR sites.code = ANY(:sites))
)
"""


async def is_awaited(connection: AsyncConnection, digest: str, site_codes: Collection[str] | None) -> bool:
    """Whether a card return at those sites waits for a large file of this digest."""
    asked = {"digest": digest, "sites": _codes(site_codes)}
    return bool(await connection.scalar(sa.text(_AWAITED), asked))


async def placements_of(connection: AsyncConnection, sighting_ids: Sequence[UUID]) -> Sequence[Row]:
    """Every placement fact of these sightings, replaced ones too."""
    found = await connection.execute(sa.text(_PLACEMENTS), {"sighting_ids": list(sighting_ids)})
    return found.mappings().all()

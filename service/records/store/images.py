"""SQL of images and their sightings, as a caller may see them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.database import Row
from service.facts.store import stands
from service.intake.store.tables import placements

# Which sightings of an image the caller may see: the card came back at one of his sites, or the picture
# stands at a unit or inspection of one. Tables of contexts above are named in text.
_VISIBLE = """
sighting.digest = :digest AND (CAST(:sites AS text[]) IS NULL OR site.code = ANY(:sites) OR EXISTS (
    SELECT 1 FROM placements
    JOIN inspections ON inspections.id = placements.inspection_id
    JOIN units ON units.id = inspections.unit_id
    JOIN sites place ON place.id IN (inspections.site_id, units.site_id)
    WHERE placements.sighting_id = sighting.id AND place.code = ANY(:sites)))
"""

# These from a key on.
_SIGHTINGS = f"""
SELECT sighting.*, back.card_id, back.person, back.scope, site.code AS site, agent.name AS agent
FROM sightings sighting
JOIN card_returns back ON back.id = sighting.card_return_id
JOIN sites site ON site.id = back.site_id
JOIN agents agent ON agent.id = back.agent_id
WHERE {_VISIBLE}
  AND (sighting.card_return_id, sighting.ordinal) > (:after_return, :after_ordinal)
ORDER BY sighting.card_return_id, sighting.ordinal
LIMIT :limit
"""  # noqa: S608

_SITES = f"""
SELECT DISTINCT site.code
FROM sightings sighting
JOIN card_returns back ON back.id = sighting.card_return_id
JOIN sites site ON site.id = back.site_id
WHERE {_VISIBLE}
ORDER BY site.code
"""  # noqa: S608

# The service shows what it found in the bytes; before it looked, what a sighting says that the caller may
# see: the first that took them for a picture, else the first.
_IMAGE = f"""
SELECT image.digest, image.size, image.site, image.verified_at, image.thumbnail,
       image.no_thumbnail, image.looked_at,
       coalesce(image.marks, told.marks, '{{}}') AS marks,
       coalesce(image.exif, told.exif, '{{}}') AS exif,
       coalesce(image.format, told.format) AS format, coalesce(image.width, told.width) AS width,
       coalesce(image.height, told.height) AS height
FROM images image
LEFT JOIN LATERAL (
    SELECT sighting.* FROM sightings sighting
    JOIN card_returns back ON back.id = sighting.card_return_id
    JOIN sites site ON site.id = back.site_id
    WHERE image.looked_at IS NULL AND {_VISIBLE}
    ORDER BY sighting.format IS NULL, sighting.card_return_id, sighting.ordinal LIMIT 1
) told ON true
WHERE image.digest = :digest
"""  # noqa: S608

_EVER_AT_UNIT = """
SELECT EXISTS (
    SELECT FROM sightings seen
    JOIN placements fact ON fact.sighting_id = seen.id
    JOIN inspections ON inspections.id = fact.inspection_id
    WHERE seen.digest = :digest AND inspections.unit_id = :unit_id
)
"""

_PLACEMENTS = f"""
SELECT fact.*, unit.serial AS unit, fact.by_name AS by, coalesce(move.reason, binding.reason) AS reason,
       {stands(placements, "fact")} AS standing
FROM placements fact
JOIN inspections inspection ON inspection.id = fact.inspection_id
JOIN units unit ON unit.id = inspection.unit_id
LEFT JOIN picture_moves move ON move.id = fact.move_id
LEFT JOIN bindings binding ON binding.id = fact.binding_id
WHERE fact.sighting_id = ANY(:sighting_ids)
ORDER BY fact.number
"""  # noqa: S608


def _codes(site_codes: Collection[str] | None) -> list[str] | None:
    return None if site_codes is None else sorted(site_codes)


# Card return and place in its manifest: the order in which the sightings of an image are listed.
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


async def sites_seen(
    connection: AsyncConnection, digest: str, site_codes: Collection[str] | None
) -> list[str]:
    """The sites where the sightings of an image that the caller may see came in."""
    return list(await connection.scalars(sa.text(_SITES), {"digest": digest, "sites": _codes(site_codes)}))


async def image_by_digest(
    connection: AsyncConnection, digest: str, site_codes: Collection[str] | None
) -> Row | None:
    """An image and what is known of its bytes; `looked_at` None: as the agents read it whose sightings the
    caller may see."""
    asked = {"digest": digest, "sites": _codes(site_codes)}
    return (await connection.execute(sa.text(_IMAGE), asked)).mappings().one_or_none()


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

"""SQL of readings of originals, and of which is read next."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.custody.store.tables import image_custody, image_readings
from service.database import Row, texts_of
from service.facts.store import standing
from service.images.store import images
from service.intake.store import large as large_files
from service.intake.store.tables import card_returns, sightings
from service.objects import Original

# An original and its size.
Kept = tuple[Original, int]

_KEPT = sa.select(images.c.site, images.c.digest, images.c.size)


async def _kept(connection: AsyncConnection, query: sa.Select[Any]) -> list[Kept]:
    return [(Original(row.site, row.digest), row.size) for row in await connection.execute(query)]


async def kept_elsewhere(connection: AsyncConnection, kept: Collection[Kept]) -> list[Kept]:
    """The same bytes under the names of the other sites where they were seen: each brought them itself."""
    at = {original.digest: original.site for original, _ in kept}
    query = (
        sa.select(sites.c.code.label("site"), images.c.digest, images.c.size)
        .distinct()
        .select_from(images)
        .join(sightings, sightings.c.digest == images.c.digest)
        .join(card_returns, card_returns.c.id == sightings.c.card_return_id)
        .join(sites, sites.c.id == card_returns.c.site_id)
        .where(images.c.digest == sa.any_(texts_of(at)))
        .order_by(images.c.digest, sites.c.code)
    )
    return [pair for pair in await _kept(connection, query) if pair[0].site != at[pair[0].digest]]


async def images_count(connection: AsyncConnection) -> int:
    return int(await connection.scalar(sa.select(sa.func.count()).select_from(images)) or 0)


async def longest_unread(connection: AsyncConnection, limit: int) -> list[Kept]:
    """Those not found sound, then those never read, then those read longest ago."""
    order = (
        sa.case((image_custody.c.outcome != "sound", 0), else_=1),
        image_custody.c.number.asc().nulls_first(),
    )
    query = (
        _KEPT.outerjoin(image_custody, image_custody.c.digest == images.c.digest)
        .order_by(*order)
        .limit(limit)
    )
    return await _kept(connection, query)


async def images_after(connection: AsyncConnection, after: str, limit: int) -> list[Kept]:
    """Originals by digest, after one."""
    query = _KEPT.where(images.c.digest > after).order_by(images.c.digest).limit(limit)
    return await _kept(connection, query)


async def kept_among(connection: AsyncConnection, digests: Collection[str]) -> list[Kept]:
    query = _KEPT.where(images.c.digest == sa.any_(texts_of(digests)))
    return await _kept(connection, query)


async def lock_custody(connection: AsyncConnection, digests: Collection[str]) -> None:
    """Lock the rows of these originals until the transaction ends, making those that are lacking; in one
    order of digests, so that two audits wait for each other without a deadlock."""
    in_order = sorted(digests)
    await connection.execute(
        insert(image_custody).on_conflict_do_nothing(), [{"digest": digest} for digest in in_order]
    )
    rows = sa.select(image_custody.c.digest).where(image_custody.c.digest == sa.any_(texts_of(in_order)))
    await connection.execute(rows.order_by(image_custody.c.digest).with_for_update())


async def standing_readings(connection: AsyncConnection, digests: Collection[str]) -> dict[str, Row]:
    """Of each original the reading that stands, from the facts; never read: absent."""
    query = (
        sa.select(image_readings)
        .where(image_readings.c.digest == sa.any_(texts_of(digests)), standing(image_readings))
        .order_by(image_readings.c.number)
    )
    return {row["digest"]: row for row in (await connection.execute(query)).mappings()}


async def kept_readings(connection: AsyncConnection, digests: Collection[str]) -> dict[str, Row]:
    """What is kept of the reading that stands, where the original lies by it, and since when it is asked for
    again."""
    names = (image_custody.c[name] for name in READING if name != "id")
    query = (
        sa.select(
            images.c.digest,
            images.c.unsound_at,
            sa.case((image_custody.c.reading_id.is_not(None), images.c.site)).label("site"),
            image_custody.c.reading_id.label("id"),
            *names,
        )
        .outerjoin(image_custody, image_custody.c.digest == images.c.digest)
        .where(images.c.digest == sa.any_(texts_of(digests)))
    )
    return {row["digest"]: row for row in (await connection.execute(query)).mappings()}


# What is kept of a reading beside its original.
READING = ("id", "number", "outcome", "told", "kept_version", "read_at")


async def keep_readings(connection: AsyncConnection, readings: Mapping[str, Mapping[str, Any]]) -> None:
    """Keep of each original, locked, the reading that stands."""
    kept = {"reading_id": "id"} | {name: name for name in READING if name != "id"}
    anew = (
        sa.update(image_custody)
        .where(image_custody.c.digest == sa.bindparam("of_digest"))
        .values({column: sa.bindparam(f"new_{name}") for column, name in kept.items()})
    )
    rows = [
        {"of_digest": digest, **{f"new_{name}": reading[name] for name in READING}}
        for digest, reading in sorted(readings.items())
    ]
    if rows:
        await connection.execute(anew, rows)
        await _tell_intake(connection, list(readings))


async def _tell_intake(connection: AsyncConnection, digests: Collection[str]) -> None:
    """Show the last readings in images.unsound_at and images.site: what is not sound is asked for again when
    it comes by, and what was found sound under another site's name is read there.

    A file that was called sound again has another current version than the one that was locked before: that
    one keeps its lock as long as it was set, and this one is locked at the next pass.
    """
    last = image_custody.c
    unsound_at = sa.case((last.outcome != "sound", last.read_at))
    reading = sa.select(image_readings.c.site).where(image_readings.c.id == last.reading_id)
    site = sa.func.coalesce(reading.scalar_subquery(), images.c.site)
    found = await connection.execute(
        sa.update(images)
        .where(
            images.c.digest == last.digest,
            last.digest == sa.any_(texts_of(digests)),
            images.c.unsound_at.is_distinct_from(unsound_at) | (images.c.site != site),
        )
        .values(unsound_at=unsound_at, site=site)
        .returning(images.c.digest, images.c.unsound_at)
    )
    changed = {row.digest: row.unsound_at for row in found}
    await large_files.expect_again(
        connection, [digest for digest, since in changed.items() if since is not None]
    )
    mended = [digest for digest, since in changed.items() if since is None]
    await connection.execute(
        sa.update(image_custody)
        .where(last.digest == sa.any_(texts_of(mended)), last.locked_version.is_not(None))
        .values(locked_version=None, renew_at=last.read_at)
    )

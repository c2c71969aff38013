"""SQL of how the originals are kept, as it is counted and shown."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import timedelta

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import distinct_on
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.campaigns.store.tables import unit_images
from service.custody.store.tables import custody_runs, image_custody
from service.database import Row, texts_of
from service.images.store import images
from service.intake.store.tables import card_returns, sightings
from service.units.store import units

NOT_SOUND = ("damaged", "missing", "unreadable")


async def last_runs(connection: AsyncConnection) -> dict[str, Row]:
    """The last run of each kind."""
    query = (
        sa.select(custody_runs)
        .ext(distinct_on(custody_runs.c.kind))
        .order_by(custody_runs.c.kind, custody_runs.c.number.desc())
    )
    return {row["kind"]: row for row in (await connection.execute(query)).mappings()}


async def figures(connection: AsyncConnection, window_days: int) -> Row:
    """Counts over every original. An image that was never read counts from when the store was first seen
    to hold it."""
    seen = sa.func.coalesce(image_custody.c.read_at, images.c.verified_at)
    window = sa.func.now() - timedelta(days=window_days)

    def among(condition: sa.ColumnElement[bool]) -> sa.ColumnElement[int]:
        return sa.func.count().filter(condition)

    query = sa.select(
        sa.func.count().label("held"),
        # The sum of bigints is a numeric.
        sa.cast(sa.func.coalesce(sa.func.sum(images.c.size), 0), sa.BigInteger).label("bytes"),
        among(image_custody.c.read_at >= window).label("read_back"),
        among(seen < window).label("overdue"),
        *(among(image_custody.c.outcome == name).label(name) for name in NOT_SOUND),
        among(image_custody.c.locked_until > sa.func.now()).label("locked"),
        sa.func.min(image_custody.c.locked_until)
        .filter(image_custody.c.locked_until > sa.func.now())
        .label("first_lock_ends"),
        sa.func.min(seen).label("oldest"),
        sa.func.extract("epoch", sa.func.now() - sa.func.min(seen)).label("oldest_seconds"),
    ).select_from(images.outerjoin(image_custody, image_custody.c.digest == images.c.digest))
    return (await connection.execute(query)).mappings().one()


async def not_sound(
    connection: AsyncConnection, site_codes: Collection[str] | None, limit: int
) -> tuple[Sequence[Row], int]:
    """Originals seen at these sites (None: every site) whose last reading was not sound: the first `limit` by
    digest, and how many there are."""
    query = (
        sa.select(image_custody, images.c.size, sa.func.count().over().label("number_of_all"))
        .join(images, images.c.digest == image_custody.c.digest)
        .where(image_custody.c.outcome != "sound")
        .order_by(image_custody.c.digest)
        .limit(limit)
    )
    if site_codes is not None:
        seen = sightings.join(card_returns).join(sites, sites.c.id == card_returns.c.site_id)
        here = sa.and_(sightings.c.digest == image_custody.c.digest, sites.c.code.in_(site_codes))
        query = query.where(sa.exists().select_from(seen).where(here))
    rows = (await connection.execute(query)).mappings().all()
    return rows, rows[0]["number_of_all"] if rows else 0


async def seen_where(connection: AsyncConnection, digests: Collection[str]) -> Sequence[Row]:
    """Of each image every sighting: site, card return and path."""
    query = (
        sa.select(
            sightings.c.digest, sightings.c.card_return_id, sightings.c.path, sites.c.code.label("site")
        )
        .join(card_returns, card_returns.c.id == sightings.c.card_return_id)
        .join(sites, sites.c.id == card_returns.c.site_id)
        .where(sightings.c.digest == sa.any_(texts_of(digests)))
        .order_by(sightings.c.digest, sightings.c.id)
    )
    return (await connection.execute(query)).mappings().all()


async def shown_at_units(connection: AsyncConnection, digests: Collection[str]) -> Sequence[Row]:
    """Of each image the units it stands at, and their sites."""
    query = (
        sa.select(unit_images.c.digest, units.c.serial, sites.c.code.label("site"))
        .join(units, units.c.id == unit_images.c.unit_id)
        .join(sites, sites.c.id == units.c.site_id)
        .where(unit_images.c.digest == sa.any_(texts_of(digests)))
        .distinct()
        .order_by(unit_images.c.digest, units.c.serial)
    )
    return (await connection.execute(query)).mappings().all()

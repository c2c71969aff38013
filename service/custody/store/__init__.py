"""SQL of custody: readings of originals, runs, retention policies and what is locked by them."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import ARRAY, distinct_on, insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.database import Row, json, metadata, moment, reference, text
from service.facts.store import fact_table, standing
from service.intake.store import card_returns
from service.intake.store import large as large_files
from service.records.store import images, sightings, unit_images, units

# One pass over the store, or a part of it, with what it found; appended when it ends.
custody_runs = fact_table(
    "custody_runs",
    None,
    text("kind"),
    moment("started_at"),
    moment("ended_at"),
    json("found"),
    sa.Index("ix_custody_runs_kind_number", "kind", "number"),
)

# An original was read back from the store, at the store's time (`read_at`). Each replaces the one that stood
# when it was recorded, under the lock of image_custody's row.
image_readings = fact_table(
    "image_readings",
    text("digest", index=True),
    sa.Column("run_id", sa.UUID(as_uuid=True), nullable=False),
    text("outcome"),
    text("told", nullable=True),
    text("kept_version", nullable=True),
    moment("read_at"),
    sa.ForeignKeyConstraint(["digest"], ["images.digest"]),
)

# Of each original the last reading (a projection of image_readings) and its lock as last set.
image_custody = sa.Table(
    "image_custody",
    metadata,
    text("digest", primary_key=True),
    sa.Column("reading_id", sa.UUID(as_uuid=True)),
    sa.Column("number", sa.BigInteger),
    text("outcome", nullable=True),
    text("told", nullable=True),
    text("kept_version", nullable=True),
    moment("read_at", nullable=True),
    text("locked_version", nullable=True),
    text("lock_mode", nullable=True),
    moment("locked_until", nullable=True),
    moment("renew_at", nullable=True),
    sa.ForeignKeyConstraint(["digest"], ["images.digest"]),
    sa.Index("ix_image_custody_number", "number"),
    sa.Index("ix_image_custody_renew_at", "renew_at"),
    sa.Index("ix_image_custody_not_sound", "digest", postgresql_where=sa.text("outcome <> 'sound'")),
)

# How long a site wants its originals locked, each policy replacing the one before; `turn` counts them.
retention_policies = fact_table(
    "retention_policies",
    reference("site_id", "sites.id"),
    sa.Column("turn", sa.Integer, nullable=False),
    sa.Column("days", sa.Integer, nullable=False),
    text("mode"),
    sa.UniqueConstraint("site_id", "turn"),
)

# The policy by which the originals of a card return were locked.
return_locks = sa.Table(
    "return_locks",
    metadata,
    reference("card_return_id", "card_returns.id", primary_key=True),
    reference("policy_id", "retention_policies.id"),
)


NOT_SOUND = ("damaged", "missing", "unreadable")


def texts_of(values: Iterable[str]) -> sa.ColumnElement[Any]:
    return sa.cast(sa.literal(list(values), ARRAY(sa.Text)), ARRAY(sa.Text))


async def images_count(connection: AsyncConnection) -> int:
    return int(await connection.scalar(sa.select(sa.func.count()).select_from(images)) or 0)


async def longest_unread(connection: AsyncConnection, limit: int) -> list[tuple[str, int]]:
    """Digest and size of those not found sound, then of those never read, then of those read longest ago."""
    order = (
        sa.case((image_custody.c.outcome != "sound", 0), else_=1),
        image_custody.c.number.asc().nulls_first(),
    )
    query = (
        sa.select(images.c.digest, images.c.size)
        .outerjoin(image_custody, image_custody.c.digest == images.c.digest)
        .order_by(*order)
        .limit(limit)
    )
    return [(row.digest, row.size) for row in await connection.execute(query)]


async def images_after(connection: AsyncConnection, after: str, limit: int) -> list[tuple[str, int]]:
    """Digest and size of images by digest, after one."""
    query = (
        sa.select(images.c.digest, images.c.size)
        .where(images.c.digest > after)
        .order_by(images.c.digest)
        .limit(limit)
    )
    return [(row.digest, row.size) for row in await connection.execute(query)]


async def sizes_of(connection: AsyncConnection, digests: Collection[str]) -> list[tuple[str, int]]:
    query = sa.select(images.c.digest, images.c.size).where(images.c.digest == sa.any_(texts_of(digests)))
    return [(row.digest, row.size) for row in await connection.execute(query)]


async def lock_custody(connection: AsyncConnection, digests: Collection[str]) -> None:
    """Lock the rows of these originals until the transaction ends, making those that are lacking; in one order
    of digests, so that two audits wait for each other without a deadlock."""
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
    """What is kept of the reading that stands, and since when the original is asked for again."""
    names = (image_custody.c[name] for name in READING if name != "id")
    query = (
        sa.select(images.c.digest, images.c.unsound_at, image_custody.c.reading_id.label("id"), *names)
        .outerjoin(image_custody, image_custody.c.digest == images.c.digest)
        .where(images.c.digest == sa.any_(texts_of(digests)))
    )
    return {row["digest"]: row for row in (await connection.execute(query)).mappings()}


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
    """Show the last readings in images.unsound_at: what is not sound is asked for again when it comes by.

    A file that was called sound again has another current version than the one that was locked before: that
    one keeps its lock as long as it was set, and this one is locked at the next pass.
    """
    last = image_custody.c
    unsound_at = sa.case((last.outcome != "sound", last.read_at))
    found = await connection.execute(
        sa.update(images)
        .where(
            images.c.digest == last.digest,
            last.digest == sa.any_(texts_of(digests)),
            images.c.unsound_at.is_distinct_from(unsound_at),
        )
        .values(unsound_at=unsound_at)
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


# What is kept of a reading beside its original.
READING = ("id", "number", "outcome", "told", "kept_version", "read_at")


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

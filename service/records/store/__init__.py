"""SQL of units, images, sightings and the history of one serial number."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterable, Mapping, Sequence
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import ARRAY, insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.database import Row, id_column, insert_rows, json, metadata, moment, reference, text, texts
from service.facts.store import fact_table
from service.records.rules import UNREADABLE

units = sa.Table(
    "units",
    metadata,
    id_column(),
    text("serial", unique=True),
    reference("type_id", "equipment_types.id"),
    reference("build_id", "builds.id"),
    reference("site_id", "sites.id", index=True),
    text("position", nullable=True),
    moment("created_at"),
    sa.Column("invented", sa.Boolean, nullable=False, server_default=sa.false()),
)

# Where a unit stood, dated: the serial number is the identity, the position is not.
unit_positions = fact_table(
    "unit_positions",
    reference("unit_id", "units.id", index=True),
    reference("site_id", "sites.id"),
    text("position", nullable=True),
    sa.Column("since", sa.Date, nullable=False),
)

# The bytes, named by digest. A row exists only after the store was seen to hold them (I5).
# From `looked_at` on it says what the service found in the bytes: their format, pixels, Exif and marks. Until
# then, only what each sighting was told of them is known.
images = sa.Table(
    "images",
    metadata,
    text("digest", primary_key=True),
    sa.Column("size", sa.BigInteger, nullable=False),
    moment("verified_at"),
    text("thumbnail", nullable=True),
    moment("looked_at", nullable=True),
    text("format", nullable=True),
    sa.Column("width", sa.Integer),
    sa.Column("height", sa.Integer),
    json("exif", nullable=True),
    texts("marks", nullable=True),
    # By the store's clock, when a reading last found the original not sound; NULL: it counts as held. The
    # projection of custody's readings by which intake asks for it again.
    moment("unsound_at", nullable=True),
)

# One file seen on one card at one path, with the four clocks as read (I9): Exif, file system (zone unknown),
# agent UTC, server UTC. What the file is (`kind`, `marks`) comes from here; `format`, `width`, `height` and
# `exif` are what the agent told of its bytes. `taken_at` is the best estimate, `taken_basis` says from what;
# it sorts a page and decides nothing (I4).
sightings = sa.Table(
    "sightings",
    metadata,
    id_column(),
    reference("card_return_id", "card_returns.id"),
    sa.Column("ordinal", sa.Integer, nullable=False),
    text("digest"),
    text("path"),
    sa.Column("path_bytes", sa.LargeBinary, nullable=False),
    text("modified", nullable=True),
    moment("read_at"),
    moment("received_at"),
    text("kind"),
    texts("marks"),
    text("format", nullable=True),
    sa.Column("width", sa.Integer),
    sa.Column("height", sa.Integer),
    json("exif"),
    moment("taken_at"),
    text("taken_basis"),
    sa.ForeignKeyConstraint(["digest"], ["images.digest"]),
    sa.UniqueConstraint("card_return_id", "ordinal"),
    sa.Index("ix_sightings_digest", "digest", "card_return_id", "ordinal"),
)

# Which image stands at which place of which unit: the rolled-up answer to the history question,
# one row however often the file was seen. A projection: every column follows from sightings and placements
# alone (service.intake.store.showing). The words and the time are those of the first sighting there, of the
# fact that puts it there; the first is the least by card return and place in its manifest, whenever it came,
# among those that count and tell of the picture. `counted`: it counts as a picture of its location.
unit_images = sa.Table(
    "unit_images",
    metadata,
    id_column(),
    reference("unit_id", "units.id"),
    reference("inspection_id", "inspections.id"),
    text("digest"),
    text("location_key", server_default=""),
    sa.Column("element", sa.Integer, nullable=False, server_default="0"),
    sa.Column("element_last", sa.Integer),
    text("evaluation", nullable=True),
    text("condition", nullable=True),
    text("note", nullable=True),
    reference("first_sighting_id", "sightings.id"),
    reference("placement_id", "placements.id"),
    sa.Column("sightings", sa.Integer, nullable=False),
    sa.Column("counted", sa.Boolean, nullable=False),
    moment("taken_at"),
    text("taken_basis"),
    sa.ForeignKeyConstraint(["digest"], ["images.digest"]),
    sa.UniqueConstraint("inspection_id", "digest", "location_key", "element"),
    sa.Index("ix_unit_images_history", "unit_id", "taken_at", "id"),
    sa.Index("ix_unit_images_location", "unit_id", "location_key", "taken_at", "id"),
    sa.Index("ix_unit_images_digest", "digest"),
    sa.Index(
        "ix_unit_images_uncounted",
        "inspection_id",
        postgresql_where=sa.text("location_key = '' OR NOT counted"),
    ),
)


def clock_of_camera() -> sa.ColumnElement[Any]:
    """Exif as the bytes give it, once the service has looked at them; else as the sighting told."""
    return sa.func.coalesce(images.c.exif, sightings.c.exif).label("exif")


async def images_held(connection: AsyncConnection, digests: Iterable[str]) -> dict[str, Row]:
    """The rows of those digests that are recorded here, by digest; sound or not."""
    found = await connection.execute(sa.select(images).where(images.c.digest == sa.any_(_texts(digests))))
    return {row["digest"]: row for row in found.mappings()}


async def first_wanted(connection: AsyncConnection, return_id: UUID, digests: Iterable[str]) -> set[str]:
    """Those of the digests of which no other card return's file wants a thumbnail (rules.wants_thumbnail), so
    that none is ordered yet."""
    others = _wanted().where(sightings.c.card_return_id != return_id)
    query = sa.select(images.c.digest).where(images.c.digest == sa.any_(_texts(digests)), ~others)
    return set(await connection.scalars(query))


async def thumbnails_lacking(connection: AsyncConnection, digests: Iterable[str]) -> set[str]:
    """Those of the digests that want a thumbnail and for which none was made or found impossible."""
    query = sa.select(images.c.digest).where(
        images.c.digest == sa.any_(_texts(digests)), images.c.thumbnail.is_(None), _wanted()
    )
    return set(await connection.scalars(query))


def _wanted() -> sa.Exists:
    """A file of the image's bytes wants a thumbnail: rules.wants_thumbnail in SQL."""
    seen = sightings.c
    wanting = seen.format.is_not(None) | ((seen.kind == "still") & ~seen.marks.overlap(sorted(UNREADABLE)))
    return sa.exists().where(seen.digest == images.c.digest, wanting)


async def digests_held(connection: AsyncConnection, digests: Iterable[str]) -> set[str]:
    """Which of the digests are held here: recorded, and not found unsound since."""
    query = sa.select(images.c.digest).where(
        images.c.digest == sa.any_(_texts(digests)), images.c.unsound_at.is_(None)
    )
    return set(await connection.scalars(query))


_arriving_images = images.to_metadata(sa.MetaData(), name="arriving_images")


async def gather_images(
    connection: AsyncConnection, batches: AsyncIterator[Iterable[Mapping[str, Any]]]
) -> set[str]:
    """Insert images that are not held yet; the digests that were new. A digest comes once at most.

    The batches are gathered in a table of this transaction first: only in one order of digests over all of
    them can two transactions that bring the same images wait for each other without a deadlock.
    """
    await connection.execute(sa.text("CREATE TEMPORARY TABLE arriving_images (LIKE images) ON COMMIT DROP"))
    async for rows in batches:
        await insert_rows(connection, _arriving_images, list(rows))
    added = await connection.scalars(
        sa.text(
            "INSERT INTO images SELECT * FROM arriving_images ORDER BY digest"
            " ON CONFLICT (digest) DO NOTHING RETURNING digest"
        )
    )
    return set(added)


def _texts(values: Iterable[str]) -> sa.ColumnElement[Any]:
    return sa.cast(sa.literal(list(values), ARRAY(sa.Text)), ARRAY(sa.Text))


def _uuids(values: Iterable[UUID]) -> sa.ColumnElement[Any]:
    return sa.cast(sa.literal(list(values), ARRAY(sa.UUID(as_uuid=True))), ARRAY(sa.UUID(as_uuid=True)))


async def insert_unit(connection: AsyncConnection, row: Mapping[str, Any]) -> bool:
    """False when the id or the serial is taken."""
    added = insert(units).values(**row).on_conflict_do_nothing().returning(units.c.id)
    return (await connection.execute(added)).first() is not None


async def lock_unit(connection: AsyncConnection, unit_id: UUID) -> None:
    held = sa.select(units.c.id).where(units.c.id == unit_id)
    await connection.execute(held.with_for_update(key_share=True))


async def set_position(
    connection: AsyncConnection, unit_id: UUID, site_id: UUID, position: str | None
) -> None:
    await connection.execute(
        sa.update(units).where(units.c.id == unit_id).values(site_id=site_id, position=position)
    )


async def note_looked_at(connection: AsyncConnection, digest: str, found: Mapping[str, Any]) -> None:
    """What the worker found in the bytes (columns of images), and how its thumbnail went."""
    await connection.execute(sa.update(images).where(images.c.digest == digest).values(**found))


async def unit_images_by_id(connection: AsyncConnection, ids: Iterable[UUID]) -> Sequence[Row]:
    found = await connection.execute(
        sa.select(unit_images).where(unit_images.c.id == sa.any_(_uuids(ids))).order_by(unit_images.c.id)
    )
    return found.mappings().all()

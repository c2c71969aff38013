"""SQL of images: the bytes that are held, named by digest."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterable, Mapping
from typing import Any

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.database import Row, insert_rows, json, kept_for_ever, metadata, moment, text, texts, texts_of

# The bytes, named by digest. A row exists only after the store was seen to hold them (I5).
# From `looked_at` on it says what the service found in the bytes: their format, pixels, Exif and marks. Until
# then, only what the agent of each sighting read from them is known.
images = sa.Table(
    "images",
    metadata,
    text("digest", primary_key=True),
    sa.Column("size", sa.BigInteger, nullable=False),
    # The code of the site under whose name the original lies (objects.Original): the first that brought it,
    # until custody finds the bytes sound at another alone.
    text("site"),
    moment("verified_at"),
    text("thumbnail", nullable=True),
    # Why there is none; NULL: there is one, or nobody has tried.
    text("no_thumbnail", nullable=True),
    moment("looked_at", nullable=True),
    text("format", nullable=True),
    sa.Column("width", sa.Integer),
    sa.Column("height", sa.Integer),
    json("exif", nullable=True),
    texts("marks", nullable=True),
    # By the store's clock, when a reading last found the original not sound; NULL: it counts as held. The
    # projection of custody's readings by which intake asks for it again.
    moment("unsound_at", nullable=True),
    info=kept_for_ever(
        *("thumbnail", "no_thumbnail", "looked_at", "format", "width", "height", "exif", "marks"),
        *("unsound_at", "site"),
    ),
)


async def images_held(connection: AsyncConnection, digests: Iterable[str]) -> dict[str, Row]:
    """The rows of those digests that are recorded here, by digest; sound or not."""
    found = await connection.execute(sa.select(images).where(images.c.digest == sa.any_(texts_of(digests))))
    return {row["digest"]: row for row in found.mappings()}


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


async def note_looked_at(connection: AsyncConnection, digest: str, found: Mapping[str, Any]) -> None:
    """What the worker found in the bytes (columns of images), and how its thumbnail went."""
    await connection.execute(sa.update(images).where(images.c.digest == digest).values(**found))

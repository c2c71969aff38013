"""SQL of files that go by parts. Times here are the database's own: only ever compared with each other."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.contract.cards import LARGE_FROM
from service.database import EVERY, Row, belongs_to_site, metadata, moment, reference, text, working
from service.images.store import images
from service.intake.store.seen import seen_at
from service.intake.store.tables import card_returns
from service.objects import Original

# One upload per site (its code) and digest, whichever workstation of the site sends it: no site sees or
# hinders another's. `parts` are the SHA-256 of its parts, 32 bytes each.
# Receiving: `upload_id` alone, NULL when the store is to begin anew. Verifying: `assembled_at`. Held as it
# was read: `verified_at`. Read back whole and not what its sender said: `refused_at`.
large_files = sa.Table(
    "large_files",
    metadata,
    text("site", primary_key=True),
    text("digest", primary_key=True),
    sa.Column("size", sa.BigInteger, nullable=False),
    sa.Column("parts", sa.LargeBinary, nullable=False),
    text("upload_id", nullable=True),
    moment("opened_at"),
    moment("asked_at"),
    moment("assembled_at", nullable=True),
    moment("verified_at", nullable=True),
    moment("refused_at", nullable=True),
    info=working(EVERY),
)

# The large files of a card return that were not held when its manifest came, and all files of which the bytes
# were to come ahead of it.
awaited_files = sa.Table(
    "awaited_files",
    metadata,
    reference("card_return_id", "card_returns.id", primary_key=True),
    text("digest", primary_key=True),
    sa.Column("size", sa.BigInteger, nullable=False),
    sa.Index("ix_awaited_files_digest", "digest"),
    info=working(),
)

belongs_to_site(awaited_files, "card_return_id", "site_id")

_AT = large_files.c
# An upload of other parts may take the place of one that nobody asked about for so long.
LEFT_ALONE = sa.text("interval '1 day'")


def _is(original: Original) -> sa.ColumnElement[bool]:
    return sa.and_(_AT.site == original.site, _AT.digest == original.digest)


async def large_file(connection: AsyncConnection, original: Original, *, lock: bool = False) -> Row | None:
    """What is known of a large file; `left_alone`: nobody asked for it within a day."""
    query = sa.select(
        large_files, (_AT.asked_at < sa.func.clock_timestamp() - LEFT_ALONE).label("left_alone")
    ).where(_is(original))
    if lock:
        query = query.with_for_update()
    return (await connection.execute(query)).mappings().one_or_none()


async def verified_among(connection: AsyncConnection, site: str, digests: Iterable[str]) -> dict[str, int]:
    """Those of the digests that were read back whole at a site, with their size."""
    found = await connection.execute(
        sa.select(_AT.digest, _AT.size).where(
            _AT.site == site, _AT.digest.in_(list(digests)), _AT.verified_at.is_not(None)
        )
    )
    return {row.digest: row.size for row in found}


async def note_upload(
    connection: AsyncConnection, row: Mapping[str, Any], *, instead_of: str | None, assembled: bool = False
) -> bool:
    """Note an upload (site, digest, size, parts, upload_id) in place of the one `instead_of`.

    False when meanwhile another took that place, or the file was assembled or verified.
    """
    now = sa.func.clock_timestamp()
    fresh = {
        **row,
        "opened_at": now,
        "asked_at": now,
        "assembled_at": now if assembled else None,
        "refused_at": None,
    }
    done = await connection.execute(
        insert(large_files)
        .values(**fresh)
        .on_conflict_do_update(
            index_elements=["site", "digest"],
            set_=fresh,
            where=sa.and_(
                _AT.upload_id.is_not_distinct_from(instead_of),
                _AT.assembled_at.is_(None),
                _AT.verified_at.is_(None),
            ),
        )
        .returning(_AT.digest)
    )
    return done.first() is not None


async def note_asked(connection: AsyncConnection, original: Original) -> None:
    await _set(connection, original, asked_at=sa.func.clock_timestamp())


async def note_assembled(connection: AsyncConnection, original: Original, upload_id: str) -> None:
    """The store has one object of this upload; unless another upload was begun meanwhile."""
    await connection.execute(
        sa.update(large_files)
        .where(_is(original), _AT.upload_id == upload_id, _AT.assembled_at.is_(None))
        .values(assembled_at=sa.func.clock_timestamp())
    )


async def note_verified(connection: AsyncConnection, original: Original) -> None:
    await _set(connection, original, verified_at=sa.func.clock_timestamp())


async def forget_upload(
    connection: AsyncConnection, original: Original, upload_id: str | None, *, refused: bool = False
) -> None:
    """End that upload, so that a sender begins again; with `refused` only a sender of other parts can."""
    refused_at = sa.func.clock_timestamp() if refused else None
    await connection.execute(
        sa.update(large_files)
        .where(
            _is(original),
            _AT.upload_id.is_not_distinct_from(upload_id),
            _AT.verified_at.is_(None),
        )
        .values(upload_id=None, assembled_at=None, refused_at=refused_at)
    )


async def expect_again(connection: AsyncConnection, digests: Collection[str]) -> None:
    """Begin the upload anew of large files that were read back whole once and are not sound any more, at the
    sites where they were seen. A site that has not committed yet is told nothing of what others lost."""
    await connection.execute(
        sa.update(large_files)
        .where(_AT.digest.in_(digests), _AT.verified_at.is_not(None), seen_at(_AT.digest, _AT.site))
        .values(upload_id=None, assembled_at=None, verified_at=None, refused_at=None)
    )


async def _set(connection: AsyncConnection, original: Original, **values: Any) -> None:
    unverified = sa.update(large_files).where(_is(original), _AT.verified_at.is_(None))
    await connection.execute(unverified.values(**values))


async def await_files(connection: AsyncConnection, return_id: UUID, sizes: Mapping[str, int]) -> None:
    """Remember that a card return waits for these files."""
    rows = [{"card_return_id": return_id, "digest": digest, "size": size} for digest, size in sizes.items()]
    if rows:
        await connection.execute(insert(awaited_files).values(rows).on_conflict_do_nothing())


async def awaited_size(connection: AsyncConnection, return_id: UUID, digest: str) -> int | None:
    """The size a card return gives for a large file it waits for; None when it does not."""
    at = awaited_files.c
    return await connection.scalar(
        sa.select(at.size).where(at.card_return_id == return_id, at.digest == digest)
    )


def not_yet_verified() -> sa.ColumnElement[list[str]]:
    """The digests that the card return of the query around it, joined with its site, waits for and that its
    site neither holds nor has read back whole."""
    at = awaited_files.c
    waiting = (
        sa.select(at.digest)
        .where(
            at.card_return_id == card_returns.c.id,
            at.size > LARGE_FROM,
            ~sa.exists()
            .where(_AT.site == sites.c.code, _AT.digest == at.digest, _AT.verified_at.is_not(None))
            .correlate_except(large_files),
            ~sa.exists()
            .where(images.c.digest == at.digest, images.c.unsound_at.is_(None))
            .where(seen_at(at.digest, sites.c.code))
            .correlate_except(images),
        )
        .order_by(at.digest)
        .correlate(card_returns, sites)
    )
    return sa.func.array(waiting.scalar_subquery()).label("not_yet_verified")

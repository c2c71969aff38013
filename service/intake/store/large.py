"""SQL of files that go by parts. Times here are the database's own: only ever compared with each other."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.contract.cards import LARGE_FROM
from service.database import EVERY, Row, belongs_to_site, metadata, moment, reference, text, working
from service.images.store import images

# One upload per digest, whoever sends it. `parts` are the SHA-256 of its parts, 32 bytes each.
# Receiving: `upload_id` alone, NULL when the store is to begin anew. Verifying: `assembled_at`. Held as it
# was read: `verified_at`. Read back whole and not what its sender said: `refused_at`.
large_files = sa.Table(
    "large_files",
    metadata,
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


async def large_file(connection: AsyncConnection, digest: str, *, lock: bool = False) -> Row | None:
    """What is known of a large file; `left_alone`: nobody asked for it within a day."""
    query = sa.select(
        large_files, (_AT.asked_at < sa.func.clock_timestamp() - LEFT_ALONE).label("left_alone")
    ).where(_AT.digest == digest)
    if lock:
        query = query.with_for_update()
    return (await connection.execute(query)).mappings().one_or_none()


async def verified_among(connection: AsyncConnection, digests: Iterable[str]) -> dict[str, int]:
    """Those of the digests that were read back whole, with their size."""
    found = await connection.execute(
        sa.select(_AT.digest, _AT.size).where(_AT.digest.in_(list(digests)), _AT.verified_at.is_not(None))
    )
    return {row.digest: row.size for row in found}


async def note_upload(
    connection: AsyncConnection, row: Mapping[str, Any], *, instead_of: str | None, assembled: bool = False
) -> bool:
    """Note an upload (digest, size, parts, upload_id) in place of the one `instead_of`.

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
            index_elements=["digest"],
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


async def note_asked(connection: AsyncConnection, digest: str) -> None:
    await _set(connection, digest, asked_at=sa.func.clock_timestamp())


async def note_assembled(connection: AsyncConnection, digest: str, upload_id: str) -> None:
    """The store has one object of this upload; unless another upload was begun meanwhile."""
    await connection.execute(
        sa.update(large_files)
        .where(_AT.digest == digest, _AT.upload_id == upload_id, _AT.assembled_at.is_(None))
        .values(assembled_at=sa.func.clock_timestamp())
    )


async def note_verified(connection: AsyncConnection, digest: str) -> None:
    await _set(connection, digest, verified_at=sa.func.clock_timestamp())


async def forget_upload(
    connection: AsyncConnection, digest: str, upload_id: str | None, *, refused: bool = False
) -> None:
    """End that upload, so that a sender begins again; with `refused` only a sender of other parts can."""
    refused_at = sa.func.clock_timestamp() if refused else None
    await connection.execute(
        sa.update(large_files)
        .where(
            _AT.digest == digest,
            _AT.upload_id.is_not_distinct_from(upload_id),
            _AT.verified_at.is_(None),
        )
        .values(upload_id=None, assembled_at=None, refused_at=refused_at)
    )


async def expect_again(connection: AsyncConnection, digests: Collection[str]) -> None:
    """Begin the upload anew of large files that were read back whole once and are not sound any more."""
    await connection.execute(
        sa.update(large_files)
        .where(_AT.digest.in_(digests), _AT.verified_at.is_not(None))
        .values(upload_id=None, assembled_at=None, verified_at=None, refused_at=None)
    )


async def _set(connection: AsyncConnection, digest: str, **values: Any) -> None:
    unverified = sa.update(large_files).where(_AT.digest == digest, _AT.verified_at.is_(None))
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


def not_yet_verified(card_returns: sa.Table) -> sa.ColumnElement[list[str]]:
    """The digests that a card return waits for and that are neither held nor read back whole."""
    at = awaited_files.c
    waiting = (
        sa.select(at.digest)
        .where(
            at.card_return_id == card_returns.c.id,
            at.size > LARGE_FROM,
            ~sa.exists().where(_AT.digest == at.digest, _AT.verified_at.is_not(None)),
            ~sa.exists().where(images.c.digest == at.digest, images.c.unsound_at.is_(None)),
        )
        .order_by(at.digest)
        .correlate(card_returns)
    )
    return sa.func.array(waiting.scalar_subquery()).label("not_yet_verified")

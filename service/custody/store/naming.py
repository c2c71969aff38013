"""What names an original: images, manifest parts of open card returns, large files on their way."""

from __future__ import annotations

import re
from collections.abc import Collection

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.database import serialise, texts_of
from service.images.store import images
from service.intake.store.large import awaited_files, large_files
from service.intake.store.naming import NAMING
from service.intake.store.tables import card_return_parts, card_returns

_DIGEST = re.compile(rb"[0-9a-f]{64}")


async def hold_off_naming(connection: AsyncConnection) -> None:
    """Until this transaction ends nobody else records a manifest part: what is named now stays all that is
    named (service.intake.store.naming.about_to_name takes the other side of the lock)."""
    await serialise(connection, NAMING)


async def named_among(connection: AsyncConnection, digests: Collection[str]) -> set[str]:
    """Which of the digests an image or a manifest part of a card return that is still open names.

    Open returns are read first: a commit in between moves its names from there to the images, and never
    the other way. A digest that merely stands somewhere in a part counts as named, and so does every large
    file that a row tells of: what was read back once is not looked at again. What a return waits for, or
    waited for, counts as well.
    """
    wanted, named = set(digests), set[str]()
    bodies = (
        sa.select(card_return_parts.c.body)
        .join(card_returns, card_returns.c.id == card_return_parts.c.card_return_id)
        .where(card_returns.c.committed_at.is_(None))
        .execution_options(yield_per=10)
    )
    found = await connection.stream_scalars(bodies)
    async for body in found:
        named |= wanted & {digest.decode() for digest in _DIGEST.findall(bytes(body))}
    for table in (large_files, awaited_files):
        query = sa.select(table.c.digest).where(table.c.digest == sa.any_(texts_of(wanted - named)))
        named |= set(await connection.scalars(query))
    return named | await held_among(connection, wanted - named)


async def held_among(connection: AsyncConnection, digests: Collection[str]) -> set[str]:
    query = sa.select(images.c.digest).where(images.c.digest == sa.any_(texts_of(digests)))
    return set(await connection.scalars(query))


async def uploads_named(connection: AsyncConnection) -> set[str]:
    """The ids of the multipart uploads that a row tells of."""
    query = sa.select(large_files.c.upload_id).where(large_files.c.upload_id.is_not(None))
    return {upload_id for upload_id in await connection.scalars(query) if upload_id}

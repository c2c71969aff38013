"""SQL of where an image was seen: a site holds what came back on a card of its own, whatever others hold."""

from __future__ import annotations

from collections.abc import Collection, Iterable

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.database import Row, texts_of
from service.images.store import images
from service.intake.store.tables import card_returns, sightings

# Queries around these may name the same tables.
_SEEN, _BACK, _SITE = sightings.alias("seen"), card_returns.alias("seen_back"), sites.alias("seen_site")


def seen_at(digest: sa.ColumnElement[str], site: sa.ColumnElement[str]) -> sa.ColumnElement[bool]:
    """SQL: whether a committed card return of the site with this code has a file with this digest."""
    here = sa.exists().where(*_seen(digest), _SITE.c.code == site)
    return here.correlate_except(_SEEN, _BACK, _SITE)


def _seen(digest: sa.ColumnElement[str]) -> tuple[sa.ColumnElement[bool], ...]:
    back = _BACK.c
    return _SEEN.c.digest == digest, back.id == _SEEN.c.card_return_id, _SITE.c.id == back.site_id


async def images_seen(
    connection: AsyncConnection, digests: Iterable[str], site_codes: Collection[str] | None
) -> dict[str, Row]:
    """The images of these digests that were seen at one of these sites (None: at any), by digest; sound or
    not."""
    query = sa.select(images).where(images.c.digest == sa.any_(texts_of(digests)))
    if site_codes is not None:
        # With LIMIT each image found is looked up by itself; an EXISTS may become a join over all sightings.
        here = sa.select(sa.true()).where(
            *_seen(images.c.digest), _SITE.c.code == sa.any_(texts_of(site_codes))
        )
        query = query.where(here.limit(1).correlate(images).scalar_subquery())
    found = await connection.execute(query)
    return {row["digest"]: row for row in found.mappings()}

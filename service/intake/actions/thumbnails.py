"""Thumbnails ordered for what sightings show to be pictures."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy.ext.asyncio import AsyncConnection

from service.images.actions import order_thumbnails
from service.intake.store.sighting import thumbnails_lacking


async def order_lacking(connection: AsyncConnection, sound: Sequence[str]) -> None:
    """Order the thumbnails that originals just read back as sound still lack. One may be ordered twice; the
    second job finds it made."""
    await order_thumbnails(connection, sorted(await thumbnails_lacking(connection, sound)))

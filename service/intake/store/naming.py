"""The lock between those who name originals and the sweep of those that nobody names."""

from __future__ import annotations

from sqlalchemy.ext.asyncio import AsyncConnection

from service.database import serialise

NAMING = "originals are named"


async def about_to_name(connection: AsyncConnection) -> None:
    """Before a transaction records which originals a card return means to have: any number at a time, but
    none while the sweep deletes what nobody names (service.custody.store.naming.hold_off_naming)."""
    await serialise(connection, NAMING, shared=True)

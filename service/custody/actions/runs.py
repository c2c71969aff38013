"""Passes over the store, each kept with what it found."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.contract.wire import new_id
from service.custody.store.tables import custody_runs
from service.facts.store import append


async def add_run(
    connection: AsyncConnection,
    kind: str,
    started_at: datetime,
    ended_at: datetime,
    found: Mapping[str, int],
    run_id: UUID | None = None,
) -> None:
    """Append what a pass over the store found; times are the store's."""
    run = {"id": run_id or new_id(), "kind": kind, "started_at": started_at, "ended_at": ended_at}
    await append(connection, custody_runs, [{**run, "found": dict(found)}], None)

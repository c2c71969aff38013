"""Background work on the Postgres-backed queue. Contexts declare tasks on a Blueprint of their own;
who starts the worker hands them over."""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from typing import Any

import procrastinate
import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection


def open_queue(
    database_url: str = "", tasks: Mapping[str, procrastinate.Blueprint] | None = None
) -> procrastinate.App:
    """The queue in the database at a SQLAlchemy URL. `tasks` maps a context to its tasks; a task's full
    name is `<context>:<name>`."""
    connector = procrastinate.PsycopgConnector(conninfo=_conninfo(database_url), min_size=1, max_size=4)
    queue = procrastinate.App(connector=connector)
    for context, blueprint in (tasks or {}).items():
        # The library renames the tasks it is given, so that a second queue would not find them.
        queue.add_tasks_from(deepcopy(blueprint), namespace=context)
    return queue


def _conninfo(database_url: str) -> str:
    if not database_url:
        return ""
    return sa.make_url(database_url).set(drivername="postgresql").render_as_string(hide_password=False)


# Has no connection of its own: it only writes through the transactions it is given.
_deferring = open_queue()


async def defer(
    connection: AsyncConnection, task_name: str, *, once: str | None = None, **arguments: Any
) -> None:
    """Order a task in our transaction: it runs once this commits, and never if it does not.

    `once` names work that must not wait twice: ask `under_way` first, under a lock of one's own.
    """
    raw = (await connection.get_raw_connection()).driver_connection
    order = _deferring.configure_task(task_name, connection=raw, queueing_lock=once)
    await order.defer_async(**arguments)


# The queue's own tables. A worker that says nothing for a minute is dead: it should every ten seconds.
_UNDER_WAY = """
SELECT EXISTS (
    SELECT FROM procrastinate_jobs job LEFT JOIN procrastinate_workers worker ON worker.id = job.worker_id
    WHERE job.queueing_lock = :once
      AND (job.status = 'todo'
           OR job.status = 'doing' AND worker.last_heartbeat > clock_timestamp() - interval '1 minute')
)
"""


async def under_way(connection: AsyncConnection, once: str) -> bool:
    """Whether work of that name waits for a worker or is done by one that lives."""
    return bool(await connection.scalar(sa.text(_UNDER_WAY), {"once": once}))


async def work(
    queue: procrastinate.App, context: Mapping[str, Any], *, concurrency: int = 2, wait: bool = True
) -> None:
    """Run tasks until told to stop; with `wait` False until none is left. Tasks that ask for
    `pass_context=True` find `context` in `context.additional_context`."""
    async with queue.open_async():
        await queue.run_worker_async(
            concurrency=concurrency,
            wait=wait,
            additional_context=dict(context),
            delete_jobs="successful",
            shutdown_graceful_timeout=20,
            install_signal_handlers=wait,
        )

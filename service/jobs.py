"""Background work on the Postgres-backed queue. Contexts declare tasks on a Blueprint of their own;
who starts the worker hands them over."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Coroutine, Mapping, Sequence
from contextlib import suppress
from copy import deepcopy
from datetime import UTC, datetime
from typing import Any

import procrastinate
import psycopg
import sqlalchemy as sa
import structlog
from sqlalchemy.ext.asyncio import AsyncConnection

# A queue per purpose, each with its own worker in every worker process, so that none waits behind another:
# what a receipt waits for, and what keeps the originals, never stands behind thumbnails.
CUSTODY, READING_BACK, THUMBNAILS = "custody", "reading back", "thumbnails"
# How many tasks of it are done at once. Custody: a long audit must hold up neither locks nor sweep.
QUEUES = {CUSTODY: 3, READING_BACK: 2, THUMBNAILS: 1}
# One connection listens; the others fetch and finish jobs, and record that the worker lives.
CONNECTIONS_PER_QUEUE = 3


def open_queue(
    database_url: str = "", tasks: Mapping[str, procrastinate.Blueprint] | None = None
) -> procrastinate.App:
    """The queue in the database at a SQLAlchemy URL. `tasks` maps a context to its tasks; a task's full
    name is `<context>:<name>`."""
    connector = procrastinate.PsycopgConnector(
        conninfo=_conninfo(database_url), min_size=1, max_size=CONNECTIONS_PER_QUEUE * len(QUEUES)
    )
    queue = procrastinate.App(connector=connector)
    for context, blueprint in (tasks or {}).items():
        # The library renames the tasks it is given, so that a second queue would not find them.
        queue.add_tasks_from(deepcopy(blueprint), namespace=context)
    return queue


def _conninfo(database_url: str) -> str:
    if not database_url:
        return ""
    return sa.make_url(database_url).set(drivername="postgresql").render_as_string(hide_password=False)


# A worker that says nothing for so long is dead: it should every ten seconds.
DEAD_AFTER_S = 60
AGAIN_AFTER_S = 2
LOST = (procrastinate.exceptions.ConnectorException, psycopg.OperationalError)
# This time means "at once", whatever this machine's clock says.
LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)

_log = structlog.get_logger(__name__)

# This queue has no connection of its own: it only writes through the transactions it is given.
_deferring = open_queue()


async def defer(
    connection: AsyncConnection, task_name: str, *, queue: str, once: str | None = None, **arguments: Any
) -> None:
    """Order a task in our transaction: it runs once this commits, and never if it does not. `queue` is the
    task's own.

    `once` names work that must not wait twice: ask `under_way` first, under a lock of one's own.
    """
    raw = (await connection.get_raw_connection()).driver_connection
    order = _deferring.configure_task(task_name, queue=_known(queue), connection=raw, queueing_lock=once)
    await order.defer_async(**arguments)


async def defer_each(
    connection: AsyncConnection, task_name: str, each: Sequence[Mapping[str, Any]], *, queue: str
) -> None:
    """Order a task for each of these arguments, in our transaction."""
    raw = (await connection.get_raw_connection()).driver_connection
    order = _deferring.configure_task(task_name, queue=_known(queue), connection=raw)
    await order.batch_defer_async(*map(dict, each))


def _known(queue: str) -> str:
    """No worker serves a queue that is not one of these."""
    if queue not in QUEUES:
        raise ValueError(f"There is no queue {queue!r}.")
    return queue


# The queue's own tables.
_UNDER_WAY = """
SELECT EXISTS (
    SELECT FROM procrastinate_jobs job LEFT JOIN procrastinate_workers worker ON worker.id = job.worker_id
    WHERE job.queueing_lock = :once
      AND (job.status = 'todo'
           OR job.status = 'doing' AND worker.last_heartbeat > clock_timestamp() - interval '1 minute')
)
"""


# The longest that a retry here is put off is 3^7 s. More was reckoned by a worker whose clock is wrong.
_NO_LATER = """
UPDATE procrastinate_jobs SET scheduled_at = NULL
WHERE queueing_lock = :once AND status = 'todo' AND scheduled_at > clock_timestamp() + interval '1 hour'
"""


async def under_way(connection: AsyncConnection, once: str) -> bool:
    """Whether work of that name waits for a worker or is done by one that lives."""
    await connection.execute(sa.text(_NO_LATER), {"once": once})
    return bool(await connection.scalar(sa.text(_UNDER_WAY), {"once": once}))


async def work(queue: procrastinate.App, context: Mapping[str, Any], *, wait: bool = True) -> None:
    """Run tasks until told to stop (SIGINT, SIGTERM); with `wait` False until none is left. Tasks that ask
    for `pass_context=True` find `context` in `context.additional_context`.

    A database that goes away ends a shift, not the work: the next shift begins when it is back.
    """
    if not wait:
        await _shift(queue, context, wait=False)
        return
    stopping, loop = asyncio.Event(), asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stopping.set)
    try:
        while not stopping.is_set():
            cause = await _until_stopped(stopping, _shift(queue, context, wait=True))
            if not stopping.is_set():
                _log.warning("the queue was lost; the work begins again", cause=type(cause).__name__)
                with suppress(TimeoutError):
                    await asyncio.wait_for(stopping.wait(), AGAIN_AFTER_S)
    finally:
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)


async def _until_stopped(stopping: asyncio.Event, shift: Coroutine[Any, Any, None]) -> BaseException | None:
    """Let a shift end in good order when told to stop; what ended it. Raises what is no loss of the queue."""
    working, stop_asked = asyncio.create_task(shift), asyncio.create_task(stopping.wait())
    try:
        await asyncio.wait({working, stop_asked}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        stop_asked.cancel()
        working.cancel()
        (cause,) = await asyncio.gather(working, return_exceptions=True)
    if isinstance(cause, Exception) and not isinstance(cause, LOST):
        raise cause
    return cause


async def _shift(queue: procrastinate.App, context: Mapping[str, Any], wait: bool) -> None:
    async with queue.open_async():
        lost = asyncio.create_task(_take_up_lost(queue)) if wait else None
        if lost is None:
            await _take_up_once(queue)
        try:
            await _work_off(queue, context, wait)
        finally:
            if lost is not None:
                lost.cancel()


async def _work_off(queue: procrastinate.App, context: Mapping[str, Any], wait: bool) -> None:
    """A worker for each queue; when one of them ends with a failure, so do the others."""
    workers = [
        asyncio.create_task(
            queue.run_worker_async(
                queues=[name],
                name=name,
                concurrency=at_once,
                wait=wait,
                additional_context=dict(context),
                delete_jobs="successful",
                shutdown_graceful_timeout=20,
                install_signal_handlers=False,
            )
        )
        for name, at_once in QUEUES.items()
    ]
    try:
        await asyncio.gather(*workers)
    finally:
        for worker in workers:
            worker.cancel()
        await asyncio.gather(*workers, return_exceptions=True)


async def _take_up_lost(queue: procrastinate.App) -> None:
    while True:
        try:
            await _take_up_once(queue)
        except procrastinate.exceptions.ConnectorException as error:
            _log.warning("lost work was not looked for", cause=type(error).__name__)
        await asyncio.sleep(DEAD_AFTER_S)


async def _take_up_once(queue: procrastinate.App) -> None:
    """Order anew what workers that died had in hand; every task here may be done twice."""
    jobs = queue.job_manager
    for job in await jobs.get_stalled_jobs(seconds_since_heartbeat=DEAD_AFTER_S):
        try:
            await jobs.retry_job(job, retry_at=LONG_AGO)
        except procrastinate.exceptions.UniqueViolation:
            # Another request found the job missing and ordered it meanwhile.
            await jobs.finish_job(job, procrastinate.jobs.Status.FAILED, delete_job=True)
        _log.warning("work of a dead worker is taken up", task=job.task_name, job=job.id)

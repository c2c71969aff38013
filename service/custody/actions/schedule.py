"""What the worker does by itself: audit every hour, locks every five minutes, a sweep every night; and what
intake orders, originals read back that came in again.

Times are the worker's UTC. No queue lock keeps two runs of a kind apart, because a worker that was killed
would keep it for ever; they do not disturb each other. A run that meets a store which does not answer is
not tried again: the next one goes on where it stopped.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, closing

import procrastinate
import structlog

from service.custody.actions.audit import audit_digests, audit_share
from service.custody.actions.retain import retain
from service.custody.actions.sweep import sweep
from service.database import Database
from service.errors import Unavailable
from service.jobs import CUSTODY, READING_BACK
from service.objects.holding import Holding
from service.settings import Settings

_log = structlog.get_logger(__name__)

tasks = procrastinate.Blueprint()


@asynccontextmanager
async def _around(context: procrastinate.JobContext) -> AsyncIterator[tuple[Database, Holding, Settings]]:
    """The worker's context holds `db`, `objects` and `settings`."""
    around = context.additional_context
    with closing(Holding(around["objects"].settings)) as holding:
        yield around["db"], holding, around["settings"]


@asynccontextmanager
async def _in_turn(context: procrastinate.JobContext) -> AsyncIterator[tuple[Database, Holding, Settings]]:
    """The same for what comes again by itself."""
    try:
        async with _around(context) as around:
            yield around
    except Unavailable as error:
        _log.error(
            "put off to the next time", job=context.job.task_name if context.job else "", cause=str(error)
        )


@tasks.periodic(cron="17 * * * *")
@tasks.task(name="audit", pass_context=True, queue=CUSTODY, queueing_lock="custody:audit")
async def _audit(context: procrastinate.JobContext, timestamp: int) -> None:
    async with _in_turn(context) as (db, holding, settings):
        await audit_share(db, holding, settings.audit_days)


@tasks.periodic(cron="*/5 * * * *")
@tasks.task(name="retain", pass_context=True, queue=CUSTODY, queueing_lock="custody:retain")
async def _retain(context: procrastinate.JobContext, timestamp: int) -> None:
    async with _in_turn(context) as (db, holding, _):
        await retain(db, holding)


@tasks.periodic(cron="41 2 * * *")
@tasks.task(name="sweep", pass_context=True, queue=CUSTODY, queueing_lock="custody:sweep")
async def _sweep(context: procrastinate.JobContext, timestamp: int) -> None:
    async with _in_turn(context) as (db, holding, settings):
        await sweep(db, holding, settings.sweep_days, delete=settings.sweep_deletes == "yes")


_AGAIN = procrastinate.RetryStrategy(max_attempts=8, exponential_wait=3)


@tasks.task(name="read_back", queue=READING_BACK, pass_context=True, retry=_AGAIN)
async def _read_back(context: procrastinate.JobContext, digests: list[str]) -> None:
    """Ordered by service.intake.actions.lacking; a store that is down is tried again."""
    async with _around(context) as (db, holding, _):
        await audit_digests(db, holding, digests)

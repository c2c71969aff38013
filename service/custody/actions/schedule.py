"""What the worker does by itself: audit every hour, locks every five minutes, a sweep every night.

Times are the worker's UTC. No queue lock keeps two runs of a kind apart, because a worker that was killed
would keep it for ever; they do not disturb each other. A run that meets a store which does not answer is
not tried again: the next one goes on where it stopped.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import procrastinate
import structlog

from service.custody.actions.audit import audit_share
from service.custody.actions.retain import retain
from service.custody.actions.sweep import sweep
from service.database import Database
from service.errors import Unavailable
from service.objects.holding import Holding
from service.settings import Settings

_log = structlog.get_logger(__name__)

tasks = procrastinate.Blueprint()


@asynccontextmanager
async def _around(context: procrastinate.JobContext) -> AsyncIterator[tuple[Database, Holding, Settings]]:
    """The worker's context holds `db`, `objects` and `settings`."""
    around = context.additional_context
    holding = Holding(around["objects"].settings)
    try:
        yield around["db"], holding, around["settings"]
    except Unavailable as error:
        _log.error(
            "put off to the next time", job=context.job.task_name if context.job else "", cause=str(error)
        )
    finally:
        holding.close()


@tasks.periodic(cron="17 * * * *")
@tasks.task(name="audit", pass_context=True, queueing_lock="custody:audit")
async def _audit(context: procrastinate.JobContext, timestamp: int) -> None:
    async with _around(context) as (db, holding, settings):
        await audit_share(db, holding, settings.audit_days)


@tasks.periodic(cron="*/5 * * * *")
@tasks.task(name="retain", pass_context=True, queueing_lock="custody:retain")
async def _retain(context: procrastinate.JobContext, timestamp: int) -> None:
    async with _around(context) as (db, holding, _):
        await retain(db, holding)


@tasks.periodic(cron="41 2 * * *")
@tasks.task(name="sweep", pass_context=True, queueing_lock="custody:sweep")
async def _sweep(context: procrastinate.JobContext, timestamp: int) -> None:
    async with _around(context) as (db, holding, settings):
        await sweep(db, holding, settings.sweep_days, delete=settings.sweep_deletes == "yes")

"""Reads of pictures have an end; all else of the access log is kept for ever."""

from __future__ import annotations

import procrastinate

from service.access.events import forget_reads
from service.access.noting import note
from service.access.origin import Origin, asked_from
from service.database import EVERY_SITE, Database
from service.jobs import CUSTODY

tasks = procrastinate.Blueprint()

THE_WORKER = "the worker"


@tasks.periodic(cron="23 3 * * *")
@tasks.task(name="forget_reads", pass_context=True, queue=CUSTODY, queueing_lock="access:forget_reads")
async def _forget_reads(context: procrastinate.JobContext, timestamp: int) -> None:
    around = context.additional_context
    await forget_old_reads(around["db"], around["settings"].picture_read_days)


async def forget_old_reads(db: Database, days: int) -> int:
    """Remove the reads of pictures that are older than so many days, a share at a time; how many were. The
    log says that it was done."""
    total = 0
    while True:
        async with db.begin(EVERY_SITE) as connection:
            forgotten = await forget_reads(connection, days)
            if forgotten:
                detail = {"days": days, "forgotten": forgotten}
                with asked_from(Origin(acting=THE_WORKER)):
                    await note(connection, "picture_reads_forgotten", detail=detail)
        total += forgotten
        if not forgotten:
            return total

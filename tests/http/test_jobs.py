"""Background work: ordered with the transaction, done once, with what the worker holds."""

from __future__ import annotations

import procrastinate
import pytest

from service.database import Database
from service.jobs import defer, open_queue, work

pytestmark = pytest.mark.anyio


def tasks_that_note(done: list[tuple[str, int]]) -> procrastinate.Blueprint:
    tasks = procrastinate.Blueprint()

    @tasks.task(name="note", pass_context=True)
    async def note(context: procrastinate.JobContext, number: int) -> None:
        done.append((context.additional_context["word"], number))

    return tasks


async def test_a_task_runs_when_its_transaction_commits_and_never_otherwise(fresh_database_url: str) -> None:
    db, done = Database(fresh_database_url), list[tuple[str, int]]()
    async with db.begin() as connection:
        await defer(connection, "trial:note", number=1)
    with pytest.raises(ZeroDivisionError):
        await _fail_after_ordering(db)
    await db.close()
    for _ in range(2):
        queue = open_queue(fresh_database_url, {"trial": tasks_that_note(done)})
        await work(queue, {"word": "held"}, wait=False)
    assert done == [("held", 1)]


async def _fail_after_ordering(db: Database) -> None:
    async with db.begin() as connection:
        await defer(connection, "trial:note", number=2)
        raise ZeroDivisionError

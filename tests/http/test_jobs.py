"""Background work: ordered with the transaction, done once, with what the worker holds."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import Callable

import procrastinate
import pytest
import sqlalchemy as sa

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


async def test_p04_work_goes_on_when_the_database_comes_back(fresh_database_url: str) -> None:
    db, done = Database(fresh_database_url), list[tuple[str, int]]()
    queue = open_queue(fresh_database_url, {"trial": tasks_that_note(done)})
    working = asyncio.create_task(work(queue, {"word": "held"}))

    def numbers() -> list[int]:
        """In the order in which each was first done."""
        return list(dict.fromkeys(number for _, number in done))

    try:
        for number in (1, 2):
            async with db.begin() as connection:
                await defer(connection, "trial:note", number=number)
            await _until(lambda: len(numbers()), number)
            async with db.begin() as connection:
                await connection.execute(
                    sa.text(
                        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                        " WHERE datname = current_database() AND pid <> pg_backend_pid()"
                    )
                )
        async with db.begin() as connection:
            await defer(connection, "trial:note", number=3)
        await _until(lambda: len(numbers()), 3)
    finally:
        os.kill(os.getpid(), signal.SIGTERM)
        await asyncio.wait_for(working, 30)
        await db.close()
    # Work that ended as its database died may be done again: it was not noted that it was done.
    assert numbers() == [1, 2, 3]


async def _until(count: Callable[[], int], wanted: int) -> None:
    for _ in range(600):
        if count() >= wanted:
            return
        await asyncio.sleep(0.1)
    raise AssertionError(f"{count()} done, {wanted} wanted")

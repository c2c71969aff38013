"""Background work: ordered with the transaction, done once, with what the worker holds."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import Callable

import procrastinate
import pytest
import sqlalchemy as sa

from service.custody.actions.schedule import tasks as custody_tasks
from service.database import Database
from service.images.actions import tasks as image_tasks
from service.intake.actions.large import tasks as intake_tasks
from service.jobs import CUSTODY, QUEUES, READING_BACK, THUMBNAILS, defer, open_queue, work

pytestmark = pytest.mark.anyio


def tasks_that_note(done: list[tuple[str, int]]) -> procrastinate.Blueprint:
    tasks = procrastinate.Blueprint()

    @tasks.task(name="note", queue=CUSTODY, pass_context=True)
    async def note(context: procrastinate.JobContext, number: int) -> None:
        done.append((context.additional_context["word"], number))

    return tasks


async def test_a_task_runs_when_its_transaction_commits_and_never_otherwise(fresh_database_url: str) -> None:
    db, done = Database(fresh_database_url), list[tuple[str, int]]()
    async with db.begin() as connection:
        await defer(connection, "trial:note", queue=CUSTODY, number=1)
    with pytest.raises(ZeroDivisionError):
        await _fail_after_ordering(db)
    await db.close()
    for _ in range(2):
        queue = open_queue(fresh_database_url, {"trial": tasks_that_note(done)})
        await work(queue, {"word": "held"}, wait=False)
    assert done == [("held", 1)]


async def _fail_after_ordering(db: Database) -> None:
    async with db.begin() as connection:
        await defer(connection, "trial:note", queue=CUSTODY, number=2)
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
                await defer(connection, "trial:note", queue=CUSTODY, number=number)
            await _until(lambda: len(numbers()), number)
            async with db.begin() as connection:
                await connection.execute(
                    sa.text(
                        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                        " WHERE datname = current_database() AND pid <> pg_backend_pid()"
                    )
                )
        async with db.begin() as connection:
            await defer(connection, "trial:note", queue=CUSTODY, number=3)
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


async def test_no_queue_waits_for_another_and_thumbnails_are_made_one_at_a_time(
    fresh_database_url: str,
) -> None:
    db, tasks = Database(fresh_database_url), procrastinate.Blueprint()
    over, done, at_work, most = asyncio.Event(), list[str](), [0], [0]

    async def thumbnail() -> None:
        at_work[0] += 1
        most[0] = max(most[0], at_work[0])
        await over.wait()
        await asyncio.sleep(0.01)
        at_work[0] -= 1
        done.append(THUMBNAILS)

    async def other(queue_name: str) -> None:
        done.append(queue_name)
        if {CUSTODY, READING_BACK} <= set(done):
            over.set()

    tasks.task(name="thumbnail", queue=THUMBNAILS)(thumbnail)
    for queue in (CUSTODY, READING_BACK):
        tasks.task(name=queue, queue=queue)(other)
    async with db.begin() as connection:
        for _ in range(6):
            await defer(connection, "trial:thumbnail", queue=THUMBNAILS)
        for queue in (CUSTODY, READING_BACK):
            await defer(connection, f"trial:{queue}", queue=queue, queue_name=queue)
    await db.close()
    waiting = work(open_queue(fresh_database_url, {"trial": tasks}), {}, wait=False)
    await asyncio.wait_for(waiting, 30)
    assert sorted(done[:2]) == sorted((CUSTODY, READING_BACK)), "thumbnails held them up"
    assert (done[2:], most) == ([THUMBNAILS] * 6, [1])


async def test_a_task_is_not_ordered_where_nobody_works(fresh_database_url: str) -> None:
    db = Database(fresh_database_url)
    with pytest.raises(ValueError, match="no queue"):
        async with db.begin() as connection:
            await defer(connection, "trial:note", queue="default", number=1)
    await db.close()


def test_every_task_of_the_service_stands_in_one_of_the_queues() -> None:
    blueprints = (custody_tasks, intake_tasks, image_tasks)
    tasks = [task for blueprint in blueprints for task in blueprint.tasks.values()]
    assert {task.queue for task in tasks} == set(QUEUES)

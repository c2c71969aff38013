"""Commits that take longer than the caller waits go on, and a repeated request learns how they ended."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

# Seconds that an outcome is kept for a caller who has not asked again.
KEPT_SECONDS = 60.0

Key = tuple[object, ...]


class Commits:
    """The commits under way in this process. The same commit in another process does the same work once more
    and comes to the same receipt (I8)."""

    def __init__(self) -> None:
        self._tasks: dict[Key, asyncio.Task[bytes]] = {}

    async def receipt(
        self, key: Key, begin: Callable[[], Coroutine[Any, Any, bytes]], patience: float | None
    ) -> bytes | None:
        """The outcome of the commit known by `key`, which begins now unless it is under way; None when it
        takes more than `patience` seconds. Raises what the commit raises."""
        task = self._tasks.get(key)
        if task is None:
            task = self._tasks[key] = asyncio.create_task(begin())
            task.add_done_callback(lambda done: self._keep(key, done))
        done, _ = await asyncio.wait({task}, timeout=patience)
        if not done:
            return None
        self._forget(key, task)
        return task.result()

    async def close(self) -> None:
        """Break off the commits under way; nothing of them is written, and the agents commit again."""
        tasks = list(self._tasks.values())
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    def _keep(self, key: Key, task: asyncio.Task[bytes]) -> None:
        if task.cancelled():
            self._forget(key, task)
            return
        task.get_loop().call_later(KEPT_SECONDS, self._forget, key, task)
        # Reading the exception here keeps the event loop from logging an outcome that nobody asks for.
        task.exception()

    def _forget(self, key: Key, task: asyncio.Task[bytes]) -> None:
        if self._tasks.get(key) is task:
            del self._tasks[key]

"""Whether database and object store take writes: a full disk answers every question and keeps nothing.

Tried with file systems filled to the last block: Postgres still commits a small row where its page has room,
and breaks only when a file has to grow; a store still keeps an object of a few kB where a picture does not
fit. So each is asked for as much as work asks of it.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable

import structlog

from service.database import Database
from service.objects import Objects
from service.objects.probing import StoreProbe

# A disk does not fill within a minute, and every question costs the store half a megabyte; one that was full
# is asked again soon, which costs it nothing while it refuses.
GOOD_FOR_S = 60.0
BAD_FOR_S = 10.0
ANSWER_WITHIN_S = 5

_log = structlog.get_logger(__name__)


class Writable:
    """Both questions, each asked at most once per interval in a process, however many callers ask."""

    def __init__(self, db: Database, objects: Objects) -> None:
        probe = StoreProbe(objects)
        self._database = Kept("database", db.takes_writes)
        self._store = Kept("store", probe.takes_writes)

    async def database(self) -> bool:
        return await self._database.answer()

    async def store(self) -> bool:
        return await self._store.answer()


class Kept:
    """A question whose answer is kept for a while; those who ask meanwhile wait for the same answer."""

    def __init__(
        self,
        part: str,
        question: Callable[[], Awaitable[bool]],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._part, self._question, self._clock = part, question, clock
        self._turn = asyncio.Lock()
        self._good, self._until = True, float("-inf")

    async def answer(self) -> bool:
        async with self._turn:
            if self._clock() >= self._until:
                self._good = await self._ask()
                self._until = self._clock() + (GOOD_FOR_S if self._good else BAD_FOR_S)
            return self._good

    async def _ask(self) -> bool:
        try:
            async with asyncio.timeout(ANSWER_WITHIN_S):
                good = await self._question()
        except Exception as error:
            cause = getattr(error, "orig", None) or error
            _log.error("takes no writes", part=self._part, cause=f"{type(cause).__name__}: {cause}")
            return False
        if not good:
            _log.error("takes no writes", part=self._part, cause="it stands read-only")
        return good

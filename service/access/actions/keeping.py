"""What keeps the access log of a process where a request must not wait for it: reads of pictures, and
refusals that repeat themselves."""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import Collection
from contextvars import Context
from typing import Any

import structlog
from sqlalchemy.exc import SQLAlchemyError

from service.access.events import insert_reads
from service.access.noting import log_line, note
from service.access.origin import origin
from service.access.repeats import Repeats
from service.access.rules import Caller, network_of
from service.contract.wire import new_id
from service.database import EVERY_SITE, Database, server_now

# A read waits so long for others to be written with; a process that is killed loses the rows of that time,
# not the lines of the log.
GATHER_S = 1.0
PER_BATCH = 500
# While the database is away: about 10 MB.
MOST_WAITING = 20_000

THE_SERVICE = "the service"

_log = structlog.get_logger(__name__)


class AccessLog:
    """One of a process. `close` writes what still waits."""

    def __init__(self, db: Database) -> None:
        self._db = db
        self._reads: deque[dict[str, Any]] = deque()
        self._lost = 0
        self._repeats = Repeats()
        self._counted: deque[dict[str, Any]] = deque()
        self._gathering: asyncio.Task[None] | None = None

    def read(self, caller: Caller, kind: str, digest: str, seen_at: Collection[str]) -> None:
        """Note that an original was opened or downloaded: a line at once, a row within seconds. `seen_at`:
        the sites where the picture came in."""
        columns = origin().columns() | {
            "by_account_id": caller.account_id,
            "by_agent_id": caller.agent_id,
            "by_name": caller.name,
        }
        sites = sorted({*seen_at, *(caller.sites or ())})
        row = {"id": new_id(), "kind": kind, "at": server_now(), "digest": digest, "sites": sites, **columns}
        log_line(row)
        if len(self._reads) < MOST_WAITING:
            self._reads.append(row)
        else:
            self._lost += 1
        self._gather()

    async def refused(self, kind: str, **what: Any) -> None:
        """Record a refusal, or count it where the same was recorded within the minute. Raises nothing: the
        answer must not depend on the log."""
        asked = origin()
        values = {"kind": kind, **asked.columns(), **asked.about, **what}
        who = str(values["by_account_id"] or values["by_agent_id"] or network_of(asked.address or ""))
        about = [values.get(name) for name in ("route", "detail", "login_hash", "account_id")]
        row = self._repeats.recorded(f"{kind} {who}", repr(about), values, time.monotonic())
        self._gather()
        if row is not None:
            try:
                await self._note(row)
            except SQLAlchemyError as error:
                _log.error("a refusal is not on record", kind=kind, cause=type(error).__name__)

    async def _note(self, row: dict[str, Any]) -> None:
        async with self._db.begin(EVERY_SITE) as connection:
            await note(connection, **row)

    def _gather(self) -> None:
        if self._gathering is None or self._gathering.done():
            # A context of its own: what is written later is not part of the request that came first.
            self._gathering = asyncio.create_task(self._write_in_turn(), context=Context())

    async def _write_in_turn(self) -> None:
        while self._reads or self._repeats or self._counted or self._lost:
            await asyncio.sleep(GATHER_S)
            await self._write(time.monotonic())

    async def _write(self, now: float) -> None:
        self._counted.extend(self._repeats.ended(now))
        try:
            while self._reads:
                await self._write_batch()
            if self._lost:
                lost, self._lost = self._lost, 0
                self._counted.append({"kind": "picture_reads_lost", "by_name": THE_SERVICE, "times": lost})
            while self._counted:
                await self._note(self._counted[0])
                self._counted.popleft()
        except SQLAlchemyError as error:
            _log.error("the access log is not written", waiting=len(self._reads), cause=type(error).__name__)

    async def _write_batch(self) -> None:
        batch = [self._reads[n] for n in range(min(PER_BATCH, len(self._reads)))]
        async with self._db.begin(EVERY_SITE) as connection:
            await insert_reads(connection, batch)
        for _ in batch:
            self._reads.popleft()

    async def close(self) -> None:
        """Write what waits: reads, and counts whose minute has not ended."""
        if self._gathering is not None:
            self._gathering.cancel()
            await asyncio.gather(self._gathering, return_exceptions=True)
        await self._write(float("inf"))

"""Figures of the stock for Prometheus: card returns, images, agents, queue, completion and its drift."""

from __future__ import annotations

import time
from uuid import UUID

import structlog
from prometheus_client import CollectorRegistry, Gauge, generate_latest
from sqlalchemy.exc import SQLAlchemyError

from service.campaigns.actions.drift import drift_of_next
from service.custody.store.figures import figures as custody_figures
from service.database import EVERY_SITE, Database
from service.intake.store.figures import figures
from service.protection import lapses_seen
from service.writable import Writable

_log = structlog.get_logger("service.watching")

# Seconds between two recounts of a campaign by one process.
RECOUNT_EVERY_S = 300.0

TOLD = {
    "returns_open": "Card returns opened and not committed",
    "returns_committed": "Card returns committed",
    "returns_incomplete": "Card returns committed although the card was not read to its end",
    "oldest_open_seconds": "Age of the oldest card return that is not committed",
    "files": "Files of committed card returns",
    "images": "Images held, each counted at every site that sent it",
    "image_bytes": "Bytes of the images held, counted likewise",
    "not_placed": "Files that stood nowhere when their card return was committed",
    "agents": "Agents in service",
    "agents_silent": "Agents in service that did not report for a day",
    "jobs_waiting": "Jobs waiting in the queue",
    "jobs_running": "Jobs being worked on",
    "jobs_failed": "Jobs that failed for good",
    "locations": "Locations owed in open campaigns",
    "locations_complete": "Locations complete in open campaigns",
    "locations_complete_short": "Locations called complete with too few pictures, in open campaigns",
    "locations_in_conflict": "Locations in open campaigns with statements in conflict",
    "inspections_blocked": "Inspections complete by statements beside which something stands open",
    "pictures_engineering": "Pictures in open campaigns whose evaluation requires engineering",
    "pictures_second_look": "Pictures in open campaigns whose evaluation requires a second look",
    "pictures_unplaced": "Pictures of open campaigns at no location",
    "originals_read_back": "Originals read back from the store within the window (SIGHTLEDGER_AUDIT_DAYS)",
    "originals_overdue": "Originals neither read back nor come in within the window",
    "originals_damaged": "Originals whose bytes are not what they are named by",
    "originals_missing": "Originals that the store does not have",
    "originals_unreadable": "Originals that the store lists and does not give",
    "originals_locked": "Originals that cannot be deleted before their time",
    "oldest_reading_seconds": "Age of the oldest last reading of an original",
    "protection_lapses": "Ways in which the database does not keep the record from being rewritten",
    "database_writable": "1 while the database takes writes, 0 while it does not (a full disk, a replica)",
    "store_writable": "1 while the object store takes an object of a picture's size, 0 while it does not",
    "completion_drift": "Roll-up rows found to differ from a recount, over the campaigns recounted",
    "completion_recounted": "Open campaigns that this process has recounted",
}


class Watch:
    """Reads the stock when it is asked; every few minutes it recounts one open campaign, in turn, and counts
    how the originals are kept.

    Of the recounts each process tells its own; that all campaigns come round says completion_recounted.
    """

    def __init__(self, audit_days: int = 90, writable: Writable | None = None) -> None:
        self._audit_days = audit_days
        self._writable = writable
        self._drift: dict[UUID, int] = {}
        self._last: UUID | None = None
        self._next_at = 0.0
        self._custody: dict[str, float] | None = None
        self._lapses: dict[str, float] | None = None

    async def text(self, db: Database) -> bytes:
        """The gauges in Prometheus' text format, without those of a database that does not answer."""
        values = await self._takes_writes() | await self._stock(db)
        registry = CollectorRegistry()
        for name, meaning in TOLD.items():
            if name in values:
                Gauge(f"sightledger_{name}", meaning, registry=registry).set(values[name])
        return generate_latest(registry)

    async def _takes_writes(self) -> dict[str, float]:
        if self._writable is None:
            return {}
        database, store = await self._writable.database(), await self._writable.store()
        return {"database_writable": float(database), "store_writable": float(store)}

    async def _stock(self, db: Database) -> dict[str, float]:
        try:
            async with db.begin(EVERY_SITE) as connection:
                values = dict(await figures(connection))
        except SQLAlchemyError as error:
            _log.warning("no figures", cause=type(error).__name__)
            return {}
        await self._recount(db)
        values["completion_drift"] = float(sum(self._drift.values()))
        values["completion_recounted"] = float(len(self._drift))
        return values | (self._custody or {}) | (self._lapses or {})

    async def _recount(self, db: Database) -> None:
        if time.monotonic() < self._next_at:
            return
        self._next_at = time.monotonic() + RECOUNT_EVERY_S
        await self._count_custody(db)
        await self._look_at_protection(db)
        try:
            found = await drift_of_next(db, self._last)
        except SQLAlchemyError as error:
            _log.warning("no recount", after=str(self._last), cause=type(error).__name__)
            return
        if found is not None:
            self._last, rows = found
            self._drift[self._last] = rows
            if rows:
                _log.error("the roll-up differs from a recount", campaign=str(self._last), rows=rows)

    async def _count_custody(self, db: Database) -> None:
        try:
            async with db.begin(EVERY_SITE) as connection:
                counts = await custody_figures(connection, self._audit_days)
        except SQLAlchemyError as error:
            _log.warning("no figures of the originals", cause=type(error).__name__)
            return
        names = ("read_back", "overdue", "damaged", "missing", "unreadable", "locked")
        self._custody = {f"originals_{name}": float(counts[name]) for name in names}
        self._custody["oldest_reading_seconds"] = float(counts["oldest_seconds"] or 0)

    async def _look_at_protection(self, db: Database) -> None:
        try:
            async with db.begin() as connection:
                lapses = await connection.run_sync(lapses_seen)
        except SQLAlchemyError as error:
            _log.warning("the protection of the record was not looked at", cause=type(error).__name__)
            return
        self._lapses = {"protection_lapses": float(len(lapses))}
        for lapse in lapses:
            _log.error("the record is not protected", lapse=str(lapse))

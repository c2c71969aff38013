"""Everything one thread of the agent works with, opened together."""

from __future__ import annotations

import platform
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, tzinfo
from importlib.metadata import PackageNotFoundError, version
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from agent import private
from agent.client.service import Service
from agent.client.store import Store
from agent.client.traffic import Traffic
from agent.clock import now
from agent.hours import Allowance, Hours
from agent.outbox.database import is_damage
from agent.outbox.rebuilding import ShowSpoolRead, open_outbox
from agent.outbox.spool import Spool
from agent.settings import Settings, State
from agent.sync.push import Pusher
from service.contract.access import AgentReport
from service.contract.wire import build_shapes


class Workstation:
    """State, outbox and spool of an enrolled workstation; for one thread.

    An outbox that is lost or damaged is made again first; `say` gets what happened, `show` how
    much of the spool is read.
    """

    def __init__(
        self,
        state: State,
        say: Callable[[str], None] = lambda text: None,
        show: ShowSpoolRead = lambda files, size: None,
    ) -> None:
        build_shapes()
        self.state = state.prepare()
        self.settings = state.settings()
        self.enrolment = state.enrolment()
        self.spool = Spool(state.spool).prepare()
        self.outbox = open_outbox(state, self.spool, say, show)
        self.cache = self.outbox.cache
        self._inode = state.database.stat().st_ino
        self.zone = _zone(self.enrolment.time_zone)
        self.allowance = _allowance(self.settings, self.zone)
        self.traffic = Traffic(self.settings.uploads, lambda: self.allowance.limit(now()))

    def __enter__(self) -> Workstation:
        return self

    def __exit__(self, kind: object = None, error: BaseException | None = None, trace: object = None) -> None:
        self.outbox.close()
        if error is not None and is_damage(error):
            self.note_damage()

    def is_current(self) -> bool:
        """Whether the outbox is still the file that was opened; another thread may have made it again."""
        try:
            return self.state.database.stat().st_ino == self._inode
        except FileNotFoundError:
            return False

    def note_damage(self) -> None:
        """Have the outbox made again when it is opened next."""
        if self.is_current():
            private.make_file(self.state.outbox_damaged)

    @contextmanager
    def service(self) -> Iterator[Service]:
        service = Service(self.enrolment.url, self.state.token(), self.settings.timeout, self.traffic)
        try:
            yield service
        finally:
            service.close()

    @contextmanager
    def pusher(self, service: Service) -> Iterator[Pusher]:
        store = Store(self.settings.timeout, self.settings.uploads, self.traffic)
        pusher = Pusher(
            self.outbox, self.spool, service, store, self.enrolment.keys, self.settings, self.traffic,
            self.state.pushing,
        )  # fmt: skip
        pusher.allowance = self.allowance
        try:
            yield pusher
        finally:
            store.stop.set()
            store.close()

    def report(self) -> AgentReport:
        files, size = self.outbox.returns.waiting()
        return AgentReport(
            version=agent_version(),
            platform=platform_text(),
            clock=now(),
            held_revisions=[revision_id for revision_id, _ in self.cache.held_revisions()],
            queued_files=files,
            queued_bytes=size,
            spool_free_bytes=self.spool.free(),
            refused_preparations=[refusal.text() for refusal in self.outbox.preparations.refused()[-100:]],
        )


def _zone(name: str) -> tzinfo:
    """The site's; UTC where this computer does not know it."""
    try:
        return ZoneInfo(name)
    except (ValueError, ZoneInfoNotFoundError):
        return UTC


def _allowance(settings: Settings, zone: tzinfo) -> Allowance:
    return Allowance(
        settings.bandwidth, Hours(settings.full_speed_hours, zone), Hours(settings.push_hours, zone)
    )


def agent_version() -> str:
    try:
        return version("sightledger")
    except PackageNotFoundError:
        return "not installed"


def platform_text() -> str:
    return (
        f"{platform.system()} {platform.release()} {platform.machine()}, Python {platform.python_version()}"
    )

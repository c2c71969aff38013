"""Everything one thread of the agent works with, opened together."""

from __future__ import annotations

import platform
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, version

from agent.client.service import Service
from agent.client.store import Store
from agent.outbox.cache import Cache
from agent.outbox.database import now, open_database
from agent.outbox.returns import Returns
from agent.outbox.spool import Spool
from agent.settings import State
from agent.sync.push import Pusher
from service.contract.access import AgentReport


class Workstation:
    """State, outbox and spool of an enrolled workstation; for one thread."""

    def __init__(self, state: State) -> None:
        self.state = state.prepare()
        self.settings = state.settings()
        self.enrolment = state.enrolment()
        self._connection = open_database(state.database)
        self.cache = Cache(self._connection)
        self.returns = Returns(self._connection)
        self.spool = Spool(state.spool).prepare()

    def __enter__(self) -> Workstation:
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()

    @contextmanager
    def service(self) -> Iterator[Service]:
        service = Service(self.enrolment.url, self.state.token(), self.settings.timeout)
        try:
            yield service
        finally:
            service.close()

    @contextmanager
    def pusher(self, service: Service) -> Iterator[Pusher]:
        store = Store(self.settings.timeout, self.settings.uploads)
        try:
            yield Pusher(self.returns, self.spool, service, store, self.enrolment.keys, self.settings)
        finally:
            store.stop.set()
            store.close()

    def report(self) -> AgentReport:
        files, size = self.returns.waiting()
        return AgentReport(
            version=agent_version(),
            platform=platform_text(),
            clock=now(),
            held_revisions=[revision_id for revision_id, _ in self.cache.held_revisions()],
            queued_files=files,
            queued_bytes=size,
            spool_free_bytes=self.spool.free(),
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

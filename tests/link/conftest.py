"""A workstation whose way to service and store goes through links that break when they are asked to."""

from __future__ import annotations

import asyncio
import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest

from agent.cards.identifying import identify, pick_inspection, plan_of
from agent.cards.preparing import CardToPrepare, prepare_card
from agent.cards.reading import read_card
from agent.cards.stating import Given
from agent.cards.taking import ReadingProgress
from agent.cards.walking import survey
from agent.client.service import Service
from agent.profiles.schema import load_profile
from agent.settings import Enrolment, State
from agent.sync.pull import pull
from agent.sync.push import Pusher, push_preparations
from agent.workstation import Workstation
from service.contract.access import EnrolAgent
from service.contract.cards import ReceiptBody
from service.contract.wire import new_id
from service.settings import Settings
from tests.agent.sites import make_unit, variables
from tests.agent.station import jpeg, put
from tests.link.proxy import Proxy
from tests.running import ROOT, Running, execute, running_service

# Seconds: what a person would set to 30 is scaled down, so that a test does not wait so long.
TIMEOUT = "2"


@dataclass
class Far:
    """A service and a store, each behind a link, and a workstation before both."""

    service: Running
    to_service: Proxy
    to_store: Proxy
    state: State
    card: Path
    unit: str
    site: str

    @contextmanager
    def pusher(self) -> Iterator[Pusher]:
        with (
            Workstation(self.state) as station,
            station.service() as service,
            station.pusher(service) as pusher,
        ):
            yield pusher

    def slow(self, rate: float, delay: float) -> None:
        """One link for both: they share the rate."""
        for link in (self.to_service, self.to_store):
            link.faults.up_rate = link.faults.down_rate = rate
            link.faults.delay = delay
            link.share(self.to_store)

    def read(self, pictures: int, size: int = 0) -> UUID:
        """New pictures of at least `size` bytes onto the card, and the card into the spool."""
        for number in range(pictures):
            self.put(f"01 A/{new_id().hex[-8:]}{number:03}.JPG", picture(size))
        return self.read_card()

    def put(self, path: str, data: bytes) -> None:
        put(self.card, path, data)

    def read_card(self) -> UUID:
        with Workstation(self.state) as station:
            return read_with(station, self.card)

    def agent(self, *arguments: str, **environment: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-m", "agent", "--state", str(self.state.folder), *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=variables(SIGHTLEDGER_AGENT_TIMEOUT=TIMEOUT, **environment),
            cwd=ROOT,
        )

    def standing(self, return_id: UUID) -> str:
        with Workstation(self.state) as station:
            row = station.outbox.returns.find(return_id)
            assert row is not None
            return str(row.state)

    def rows(self, return_id: UUID) -> tuple[int, int, int]:
        """Sightings and distinct images of a return, and its receipts, as the service has them."""
        [found] = execute(
            self.service.settings,
            "SELECT (SELECT count(*) FROM sightings WHERE card_return_id = %s),"
            " (SELECT count(DISTINCT digest) FROM sightings WHERE card_return_id = %s),"
            " (SELECT count(*) FROM receipts WHERE card_return_id = %s)",
            return_id, return_id, return_id,
        )  # fmt: skip
        return tuple(found)


def read_with(station: Workstation, card: Path) -> UUID:
    found, known = identify(station.state, station.cache, station.enrolment, card, Given()), survey(card)
    return read_card(station.state, station.outbox, station.spool, found, known, ReadingProgress())


def push_card(state: State, card: Path, ready: Callable[[], object] = lambda: None) -> ReceiptBody:
    """Read a card and push it; `ready` is called between the two."""
    with Workstation(state) as station, station.service() as service, station.pusher(service) as pusher:
        return_id = read_with(station, card)
        ready()
        push_preparations(station.outbox.preparations, service)
        return pusher.push(return_id)


def picture(size: int) -> bytes:
    """A small JPEG with noise behind its end, which stays with it as every byte does."""
    data = jpeg(new_id().int % 2**32)
    return data + random.randbytes(max(0, size - len(data)))


def enrolled(service: Running, url: str, site: str, folder: Path, name: str) -> State:
    """A workstation that reaches the service at `url`, its worklist pulled."""
    code = service.client_for(["administrator"]).post("/api/v1/enrolment-codes", json={"site": site})
    code.raise_for_status()
    state, way = State(folder).prepare(), Service(url)
    made = way.enrol(EnrolAgent(new_id(), code.json()["code"], name, "test", "0"))
    state.keep_enrolment(
        Enrolment(
            url=url, id=made.id, name=name, site=made.site, site_name=made.site_name,
            time_zone=made.time_zone, keys=made.keys,
        ),
        made.token,
    )  # fmt: skip
    way.close()
    with Workstation(state) as station, station.service() as signed_in:
        pull(station.cache, signed_in, site)
    return state


def prepared(state: State, unit: str, card: Path) -> None:
    card.mkdir(parents=True)
    with Workstation(state) as station:
        brief = pick_inspection(station.cache, unit, None)
        plan = plan_of(station.cache, brief.revision_id, brief.build)
        assert plan is not None
        wanted = CardToPrepare(brief, plan, load_profile("two-level"))
        prepare_card(card, wanted, station.cache, station.outbox, station.enrolment)


@pytest.fixture(scope="module")
def links(service_settings: Settings, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    folder = tmp_path_factory.mktemp("linked")
    with Proxy(service_settings.s3_endpoint) as to_store:
        settings = replace(service_settings, s3_public_endpoint=to_store.url)
        with running_service(settings, folder) as service, Proxy(service.url) as to_service:
            yield service, to_service, to_store


@pytest.fixture
def far(links: Any, database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Far]:
    service, to_service, to_store = links
    monkeypatch.setenv("SIGHTLEDGER_AGENT_TIMEOUT", TIMEOUT)
    site, unit = asyncio.run(make_unit(database_url))
    state, card = enrolled(service, to_service.url, site, tmp_path / "state", "far"), tmp_path / "slots/card"
    prepared(state, unit, card)
    try:
        yield Far(service, to_service, to_store, state, card, unit, site)
    finally:
        for link in (to_service, to_store):
            link.faults.__init__()  # type: ignore[misc]
            link.reset_all()

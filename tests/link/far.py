"""A workstation whose way to service and store goes through links that break when they are asked to."""

from __future__ import annotations

import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

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
from tests.agent.sites import variables
from tests.agent.station import jpeg, put
from tests.link.proxy import Proxy
from tests.live_service import ROOT, Running, execute

# In seconds. A person would set 30; tests do not wait so long.
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
        """Makes both links slow; they share the rate."""
        for link in (self.to_service, self.to_store):
            link.faults.up_rate = link.faults.down_rate = rate
            link.faults.delay = delay
            link.share(self.to_store)

    def read(self, pictures: int, size: int = 0) -> UUID:
        """Puts new pictures of at least `size` bytes onto the card and reads it into the spool."""
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

    def state_of(self, return_id: UUID) -> str:
        with Workstation(self.state) as station:
            row = station.outbox.returns.find(return_id)
            assert row is not None
            return str(row.state)

    def rows(self, return_id: UUID) -> tuple[int, int, int]:
        """Counts the sightings, distinct images and receipts that the service has of a return."""
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
    """Reads a card and pushes it; `ready` is called between the two."""
    with Workstation(state) as station, station.service() as service, station.pusher(service) as pusher:
        return_id = read_with(station, card)
        ready()
        push_preparations(station.outbox.preparations, service)
        return pusher.push(return_id)


def picture(size: int) -> bytes:
    """Makes a small JPEG with noise behind its end, which is kept with it as every byte is."""
    data = jpeg(new_id().int % 2**32)
    return data + random.randbytes(max(0, size - len(data)))


def enrolled(service: Running, url: str, site: str, folder: Path, name: str) -> State:
    """Enrols a workstation that reaches the service at `url`, and pulls its worklist."""
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

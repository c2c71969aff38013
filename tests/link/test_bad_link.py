"""256 kbit/s, 600 ms, 5 % loss, cut every minute: the push ends, and sends little more than its bytes.

The real one takes some five minutes and a link of packets (netlink.py); its twin is ten times as fast and has
no loss. Both count what passed the link on the way up, heads and manifest and all that went twice.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from uuid import UUID

import pytest
from msgspec.structs import replace

from agent.client import traffic
from agent.errors import LinkDown
from agent.settings import State
from agent.workstation import Workstation
from service.settings import Settings
from tests.agent.sites import make_unit, variables
from tests.link.far import Far, enrolled, prepared, read_with
from tests.link.netlink import PacketLink, why_not
from tests.link.proxy import Proxy
from tests.live_service import ROOT, execute, running_service

RATE, DELAY, LOSS, CUT = 32_000.0, 0.3, 0.05, 60.0
MOST = 1.10
TIMES = 10


def card_of(folder: Path, files: int) -> int:
    """Pictures of 60 to 100 kB; their bytes."""
    size = 0
    for number in range(files):
        data = os.urandom(60_000 + 40_000 * number // files)
        size += len(data)
        (folder / "01 A" / f"TWVS{number:04}.JPG").write_bytes(data)
    return size


def test_a_link_that_is_cut_again_and_again_costs_little_more_than_the_bytes(
    far: Far, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in (("FAST", traffic.FAST * TIMES), ("PERIOD", traffic.PERIOD / TIMES)):
        monkeypatch.setattr(traffic, name, value)
    payload = card_of(far.card, 60)
    return_id = far.read_card()
    far.slow(RATE * TIMES, DELAY / TIMES)
    before, connections = far.to_store.up + far.to_service.up, far.to_store.connections
    links = (far.to_store, far.to_service)
    try:
        for link in links:
            link.cut_every(CUT / TIMES)
        while far.state_of(return_id) != "held":
            with far.pusher() as pusher, suppress(LinkDown):
                pusher.push(return_id)
    finally:
        for link in links:
            link.cut_every(0)
    cuts = far.to_store.connections - connections - 1
    sent = far.to_store.up + far.to_service.up - before
    assert cuts >= 1
    assert sent <= payload * MOST, f"{sent / payload:.3f} of {payload} bytes with {cuts} cuts"
    assert far.rows(return_id) == (60, 60, 1)


@pytest.mark.skipif(not os.environ.get("SIGHTLEDGER_TEST_LONG"), reason="SIGHTLEDGER_TEST_LONG is not set")
@pytest.mark.skipif(why_not() is not None, reason=str(why_not()))
def test_the_bad_link_itself(service_settings: Settings, database_url: str, tmp_path: Path) -> None:
    site, unit = asyncio.run(make_unit(database_url))
    with (
        PacketLink(RATE * 1000, 0.0, 0.0) as link,
        Proxy(service_settings.s3_endpoint, host=link.host) as to_store,
        running_service(replace(service_settings, s3_public_endpoint=to_store.url), tmp_path) as service,
        Proxy(service.url, host=link.host) as to_service,
    ):
        state, card = enrolled(service, to_service.url, site, tmp_path / "state", "bad"), tmp_path / "card"
        prepared(state, unit, card)
        payload = card_of(card, 80)
        with Workstation(state) as station:
            return_id = read_with(station, card)
        before, packets = to_store.up + to_service.up, link.up.bytes
        link.rate, link.delay, link.loss = RATE, DELAY, LOSS
        for proxy in (to_store, to_service):
            proxy.cut_every(CUT)
        took = push_inside(link, state, return_id, 900)
        sent = to_store.up + to_service.up - before
        link.rate, link.delay, link.loss = RATE * 1000, 0.0, 0.0
        told = {
            "payload": payload, "sent": round(sent / payload, 4), "seconds": round(took),
            "packets": round((link.up.bytes - packets) / payload, 4),
            "share_of_rate": round(payload / took / RATE, 3),
            "lost": round(link.up.lost / link.up.packets, 3), "connections": to_store.connections,
        }  # fmt: skip
        print(json.dumps(told))
        assert sent <= payload * MOST, told
        [(rows,)] = execute(
            service_settings, "SELECT count(*) FROM sightings WHERE card_return_id = %s", return_id
        )
        assert rows == 80


def push_inside(link: PacketLink, state: State, return_id: UUID, seconds: float) -> float:
    """Seconds that `run` behind the link needs until the return is held."""
    begun = time.monotonic()
    command = [*link.inside, sys.executable, "-m", "agent", "--state", str(state.folder), "run"]
    environment = variables(SIGHTLEDGER_AGENT_MEDIA_ROOTS="", NO_PROXY="*")
    log = state.folder / "run.log"
    with (
        log.open("w") as said,
        subprocess.Popen(
            command, cwd=ROOT, env=environment, stdout=said, stderr=subprocess.STDOUT
        ) as running,
    ):
        try:
            while True:
                with Workstation(state) as station:
                    row = station.outbox.returns.find(return_id)
                if row is not None and row.state == "held":
                    return time.monotonic() - begun
                assert time.monotonic() - begun < seconds, log.read_text()
                time.sleep(0.5)
        finally:
            running.terminate()
            running.wait(60)
            print(log.read_text()[-3000:])

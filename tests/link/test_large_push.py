"""A file too large for one PUT, over a link that drops: by parts, resumed by part, held when read back."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys

import pytest

from agent.errors import AgentError, LinkDown
from agent.sync.large import ReadingBack
from agent.workstation import Workstation
from service.contract.cards import LEAST_PART
from service.settings import Settings
from tests.agent.sites import variables
from tests.intake.protocol import random_bytes, worker_status
from tests.link.far import Far
from tests.live_service import ROOT

SIZE = 3 * LEAST_PART + 12_345
SLACK = 600_000


def test_p17_a_large_file_resumes_by_part_after_a_drop_and_is_held_when_read_back(
    far: Far, service_settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    video = random_bytes(SIZE)
    far.put("02 B/TWVS0009.MP4", video)
    return_id = far.read(1)
    monkeypatch.setattr("agent.sync.push.PATIENCE", 0.3)
    before = far.to_store.up
    far.to_store.faults.cut_after = 2 * LEAST_PART + LEAST_PART // 2
    with far.pusher() as pusher:
        pusher.stopping = lambda: far.to_store.faults.cut_after is None
        with pytest.raises(LinkDown):
            pusher.push(return_id)
    with far.pusher() as pusher, pytest.raises(ReadingBack, match="reading 1 large files back"):
        pusher.push(return_id)
    assert far.to_store.up - before < SIZE + LEAST_PART + SLACK, "parts that were there went again"
    with Workstation(far.state) as station:
        assert station.outbox.sending.large_parts(hashlib.sha256(video).hexdigest()) is not None
    assert far.state_of(return_id) == "copied"
    assert worker_status(service_settings) == 0
    sent = far.to_store.up
    with far.pusher() as pusher:
        receipt = pusher.push(return_id)
        assert (pusher.sent.files, pusher.sent.size) == (0, 0)
    assert far.to_store.up == sent
    assert {file.sha256 for file in receipt.files} >= {hashlib.sha256(video).hexdigest()}
    assert far.rows(return_id) == (2, 2, 1)
    # With them the store can be asked for the file when it is no longer here.
    with Workstation(far.state) as station:
        assert station.outbox.sending.large_parts(hashlib.sha256(video).hexdigest()) is not None


def test_p27_a_bit_flipped_in_the_spool_of_a_large_file_is_found_before_a_byte_is_sent(far: Far) -> None:
    video = random_bytes(SIZE)
    far.put("02 B/TWVS0010.MP4", video)
    return_id = far.read_card()
    with Workstation(far.state) as station:
        path = station.spool.path(hashlib.sha256(video).hexdigest())
    with path.open("r+b") as file:
        file.seek(SIZE // 2)
        byte = file.read(1)
        file.seek(SIZE // 2)
        file.write(bytes([byte[0] ^ 1]))
    before = far.to_store.up
    with far.pusher() as pusher, pytest.raises(AgentError, match="no longer in the spool"):
        pusher.push(return_id)
    assert far.to_store.up == before
    assert far.state_of(return_id) == "copied"


def test_p17_who_waits_for_a_large_file_is_told_and_then_has_the_receipt(
    far: Far, service_settings: Settings
) -> None:
    far.put("02 B/TWVS0011.MP4", random_bytes(SIZE))
    agent = [sys.executable, "-m", "agent", "--state", str(far.state.folder)]
    with subprocess.Popen(
        [*agent, "read", str(far.card), "--push"],
        cwd=ROOT,
        env=variables(),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as reading:
        assert reading.stdout is not None
        said = ""
        while "reading 1 large files back" not in said:
            line = reading.stdout.readline()
            assert line, said
            said += line
        queue = subprocess.run(
            [*agent, "queue", "--json"], cwd=ROOT, env=variables(), capture_output=True, check=True
        )
        assert "reading 1 large files back" in json.loads(queue.stdout)["cardReturns"][0]["trouble"]
        assert worker_status(service_settings) == 0
        said += reading.communicate(timeout=60)[0]
    assert reading.returncode == 0, said
    assert "held centrally - receipt" in said

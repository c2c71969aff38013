"""Clocks that lie and computers that sleep: nothing is ordered, expired or delayed by them."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.agent.sites import variables
from tests.link.far import Far
from tests.live_service import ROOT

YEAR = 365 * 86400
RESUMED = 30.0
# Sleeps of a few seconds count as such, so that a test need not wait for a long one.
SHORT_SLEEP = """
import agent.client.connection as connection
connection.SLEPT = 3.0
from agent.__main__ import main
main()
"""


def shifted(far: Far, file: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "tests.soak.shifted", str(file), "--state", str(far.state.folder)]
    return subprocess.run(
        [*command, *arguments], cwd=ROOT, env=variables(), capture_output=True, text=True, timeout=120
    )


def seen(far: Far) -> dict[str, Any]:
    """What the service shows of the unit, without ids and times."""
    client = far.service.client_for(["auditor"])
    images = client.get(f"/api/v1/units/{far.unit}/images").raise_for_status().json()["items"]
    inspection = client.get(f"/api/v1/inspections/{images[0]['inspectionId']}").raise_for_status().json()
    return {
        "pictures": sorted((one["digest"], one["location"], one["rule"]) for one in images),
        "locations": {one["key"]: (one["state"], one["picturesHeld"]) for one in inspection["locations"]},
    }


@pytest.mark.parametrize("off", [-7200, YEAR])
def test_p26_a_wrong_clock_changes_no_order_and_expires_or_deletes_nothing(
    far: Far, tmp_path: Path, off: int
) -> None:
    clock = tmp_path / "offset"
    # Said with a true clock, taken back with the wrong one, said again with a true one: facts name facts.
    for offset, words in ((0, ["--complete", "A"]), (off, ["--complete", "B"]), (0, ["--complete-all"])):
        clock.write_text(str(offset))
        far.put(f"01 A/TWVS{time.time_ns()}.JPG", os.urandom(3000))
        run = shifted(far, clock, "read", str(far.card), "--push", "--person", "A. Person", *words)
        assert run.returncode == 0, run.stdout + run.stderr
        assert "held centrally - receipt" in run.stdout
    after = seen(far)
    assert {key: state for key, (state, _) in after["locations"].items()} == {
        "A": "complete", "B": "complete", "C": "complete", "N": "not_applicable",
    }  # fmt: skip
    assert len(after["pictures"]) == 3
    clock.write_text(str(off))
    before = list((far.state.spool / "sha256").rglob("*"))
    run = shifted(far, clock, "run", "--once")
    assert run.returncode == 0, run.stdout + run.stderr
    assert list((far.state.spool / "sha256").rglob("*")) == before, "a copy was pruned by a wrong clock"
    assert seen(far) == after
    status = json.loads(shifted(far, clock, "status", "--json").stdout)
    told = status["clockOffset"]
    assert told == pytest.approx(-off, abs=5)
    assert {one["state"] for one in status["cardReturns"]} == {"held"}


def test_p24_p26_clock_jumps_in_mid_upload_delay_nothing(far: Far, tmp_path: Path) -> None:
    clock = tmp_path / "offset"
    clock.write_text("0")
    for number in range(10):
        far.put(f"01 A/TWVS{number:04}.JPG", os.urandom(30_000))
    far.to_store.faults.up_rate = 60_000
    command = [sys.executable, "-m", "tests.soak.shifted", str(clock), "--state", str(far.state.folder)]
    with subprocess.Popen(
        [*command, "read", str(far.card), "--push"],
        cwd=ROOT, env=variables(), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    ) as reading:  # fmt: skip
        passed, jumps = far.to_store.up, iter((-7200, YEAR, -YEAR, 0))
        while reading.poll() is None and (jump := next(jumps, None)) is not None:
            end = time.monotonic() + RESUMED
            while far.to_store.up < passed + 60_000 and reading.poll() is None:
                assert time.monotonic() < end, "nothing went on after a jump"
                time.sleep(0.05)
            passed = far.to_store.up
            clock.write_text(str(jump))
        said, _ = reading.communicate(timeout=60)
    assert reading.returncode == 0, said
    assert "held centrally - receipt" in said


@contextmanager
def runs(far: Far) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", SHORT_SLEEP, "--state", str(far.state.folder), "run"],
        cwd=ROOT, env=variables(SIGHTLEDGER_AGENT_MEDIA_ROOTS="", SIGHTLEDGER_AGENT_TIMEOUT="30"),
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, text=True,
    ) as process:  # fmt: skip
        try:
            yield process
        finally:
            process.send_signal(signal.SIGCONT)
            process.send_signal(signal.SIGTERM)
            process.wait(60)


@pytest.mark.skipif(sys.platform == "win32", reason="SIGSTOP")
def test_p24_after_a_sleep_in_mid_upload_it_waits_for_no_connection_that_is_dead(far: Far) -> None:
    return_id = far.read(8, size=40_000)
    far.to_store.faults.up_rate = 40_000
    begun = far.to_store.up
    with runs(far) as process:
        end = time.monotonic() + 30
        while far.to_store.up < begun + 60_000:
            assert time.monotonic() < end, "the push did not begin"
            time.sleep(0.05)
        process.send_signal(signal.SIGSTOP)
        # Meanwhile the far end has given up, and nobody told this one.
        far.to_store.half_open_all()
        far.to_service.half_open_all()
        time.sleep(5)
        far.to_store.faults.up_rate = None
        process.send_signal(signal.SIGCONT)
        woke = time.monotonic()
        while far.state_of(return_id) != "held":
            assert time.monotonic() < woke + 20, "it waited for a connection that is dead"
            time.sleep(0.2)
    assert far.rows(return_id) == (8, 8, 1)

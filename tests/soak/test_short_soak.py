"""The soak of `sh tests/soak/run` in short: the same script, less of everything."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.engines import throwaway_folder

ROOT = Path(__file__).parents[2]
SHORT = "--seed 1 --files 300 --agents 2 --minutes 0.37 --pace 4 --rest 6"


@pytest.mark.skipif(sys.platform != "linux", reason="names of any bytes, and memory from /proc")
def test_p01_p06_p22_p26_after_kills_cuts_and_clock_jumps_everything_is_held_and_nothing_more() -> None:
    with throwaway_folder() as folder:
        command = ["sh", "tests/soak/run", *SHORT.split(), "--folder", str(folder)]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    figures = json.loads(done.stdout.splitlines()[-1])
    assert figures["differences"] == []
    assert set(figures["kills"]) == {"agent", "service", "worker", "Postgres", "store"}
    assert {"reset", "black hole", "refuse"} <= set(figures["links"])
    assert figures["clock jumps"] > 0
    assert figures["cards pulled in mid read"] > 0
    assert figures["files held already, not sent"] > 0

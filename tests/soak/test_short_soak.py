"""The soak of `sh tests/soak/run` in short: the same code, less of everything."""

from __future__ import annotations

import sys

import pytest

from tests.services import throwaway_folder
from tests.soak.soak import Wanted, soak

SHORT = Wanted(seed=1, files=300, agents=2, seconds=22, pace=4, rest=180, say_every=5)


@pytest.mark.skipif(sys.platform != "linux", reason="names of any bytes, and memory from /proc")
def test_p01_p06_p22_p26_after_kills_cuts_and_clock_jumps_everything_is_held_and_nothing_more() -> None:
    with throwaway_folder() as folder:
        outcome = soak(SHORT, folder, print)
    assert outcome.differences == []
    figures = outcome.figures
    assert set(figures["kills"]) == {"agent", "service", "worker", "Postgres", "store"}
    assert {"reset", "black hole", "refuse"} <= set(figures["links"])
    assert figures["clock jumps"] > 0
    assert figures["cards pulled in mid read"] > 0
    assert figures["files held already, not sent"] > 0

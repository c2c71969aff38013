"""The attacks under load, in small: they run to their end, and honest users are answered. What they
measure here means nothing."""

from __future__ import annotations

import subprocess
import sys
from math import inf

import pytest

from tests.attack.crowd import FOREVER_S
from tests.attack.load import ATTACKS, Figure, measured
from tests.live_service import ROOT, Running

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="memory from /proc")


@pytest.mark.parametrize("name", ATTACKS)
def test_honest_users_are_answered_during_an_attack(service: Running, name: str) -> None:
    figure = measured(name, service, size=4, users=2, seconds=2)
    assert figure.attacked < FOREVER_S, figure
    assert figure.quiet < FOREVER_S, figure


def test_a_wait_of_three_times_that_in_quiet_or_too_much_memory_is_told() -> None:
    assert Figure("a", quiet=0.1, attacked=0.3, peak_mb=599, remark="").holds
    assert not Figure("a", quiet=0.1, attacked=0.31, peak_mb=599, remark="").holds
    assert not Figure("a", quiet=0.1, attacked=0.1, peak_mb=600, remark="").holds
    assert not Figure("a", quiet=0.1, attacked=inf, peak_mb=1, remark="").holds


def test_an_unknown_attack_is_named() -> None:
    command = [sys.executable, "-m", "tests.attack", "pull"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("There is no attack pull; there are packed-bodies, ")

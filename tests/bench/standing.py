"""An agent that stands ready, as `run` does at a workstation: it pushes what waits when told to.

Its start is no part of a push: it is made once a day, not once a card. The benches print it beside.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from tests.bench.memory import watched

READY, DONE = "ready", "done"


@dataclass(frozen=True)
class Pushed:
    """Seconds of the push and of the start before it, and the most memory in MB."""

    seconds: float
    start: float
    most: float


def push(environment: dict[str, str]) -> Pushed:
    """Push everything that waits at the workstation of this environment."""
    begun = time.perf_counter()
    with (
        subprocess.Popen(
            [sys.executable, "-m", "tests.bench.standing"],
            env={**os.environ, **environment},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as agent,
        watched(agent) as most,
    ):
        _await(agent, READY)
        ready = time.perf_counter()
        assert agent.stdin is not None
        agent.stdin.write("push\n")
        agent.stdin.flush()
        _await(agent, DONE)
        done = time.perf_counter()
    return Pushed(done - ready, ready - begun, most[0])


def _await(agent: subprocess.Popen[str], word: str) -> None:
    assert agent.stdout is not None
    said = agent.stdout.readline().strip()
    if said != word:
        raise AssertionError(f"The standing agent said {said!r}, not {word!r}.")


def _stand() -> None:
    from agent.settings import state_at
    from agent.sync.push import push_due
    from agent.workstation import Workstation

    state = state_at(Path(os.environ["SIGHTLEDGER_AGENT_STATE"]))
    with Workstation(state) as station, station.service() as service, station.pusher(service) as pusher:
        sys.stdout.write(f"{READY}\n")
        sys.stdout.flush()
        sys.stdin.readline()
        troubles = push_due(pusher, station.returns, lambda: False, forced=True)
        sys.stdout.write(f"{troubles or DONE}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    _stand()

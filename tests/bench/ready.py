"""An agent that stands ready, as `run` does at a workstation: it pushes what waits whenever it is told to.

Its start is no part of a push, and it knows the link from the card before: one process serves a whole bench.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.bench.memory import watched

READY, DONE = "ready", "done"


@dataclass(frozen=True)
class ReadyAgent:
    """`start`: seconds it took to stand ready."""

    start: float
    _agent: subprocess.Popen[str]
    _most: list[float]

    @property
    def most(self) -> float:
        """The most memory it had so far, in MB."""
        return self._most[0]

    def push(self) -> float:
        """Push everything that waits at the workstation; seconds."""
        begun = time.perf_counter()
        assert self._agent.stdin is not None
        self._agent.stdin.write("push\n")
        self._agent.stdin.flush()
        _await(self._agent, DONE)
        return time.perf_counter() - begun


@contextmanager
def ready_agent(environment: dict[str, str]) -> Iterator[ReadyAgent]:
    """An agent at the workstation of this environment."""
    begun = time.perf_counter()
    with (
        subprocess.Popen(
            [sys.executable, "-m", "tests.bench.ready"],
            env={**os.environ, **environment},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as agent,
        watched(agent) as most,
    ):
        _await(agent, READY)
        yield ReadyAgent(time.perf_counter() - begun, agent, most)
        assert agent.stdin is not None
        agent.stdin.close()


def _await(agent: subprocess.Popen[str], word: str) -> None:
    assert agent.stdout is not None
    answer = agent.stdout.readline().strip()
    if answer != word:
        raise AssertionError(f"The agent answered {answer!r}, not {word!r}.")


def _stand() -> None:
    from agent.settings import state_at
    from agent.sync.push import push_due
    from agent.workstation import Workstation

    state = state_at(Path(os.environ["SIGHTLEDGER_AGENT_STATE"]))
    with Workstation(state) as station, station.service() as service, station.pusher(service) as pusher:
        sys.stdout.write(f"{READY}\n")
        sys.stdout.flush()
        for _line in sys.stdin:
            troubles = push_due(pusher, station.outbox, lambda: False, forced=True)
            sys.stdout.write(f"{troubles or DONE}\n")
            sys.stdout.flush()


if __name__ == "__main__":
    _stand()

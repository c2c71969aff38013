"""The workstation that a command works with."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from agent import screen
from agent.cards.reading import close_interrupted
from agent.settings import state_at
from agent.workstation import Workstation
from service.contract.showing import size_words


class chosen:
    """What the options before the command say."""

    state = state_at(None)


@contextmanager
def opened() -> Iterator[Workstation]:
    """The workstation, its outbox made again if it must be, and what a killed process left set right."""
    with Workstation(chosen.state, screen.warn, rebuild_told()) as station:
        close_interrupted(station.state, station.returns, station.spool)
        yield station


def rebuild_told() -> Callable[[int, int], None]:
    """Says every few seconds how much of the spool has been read."""
    said = time.monotonic()

    def told(files: int, size: int) -> None:
        nonlocal said
        if time.monotonic() - said >= screen.PLAIN_EVERY:
            said = time.monotonic()
            screen.errors.print(f"still reading the spool: {files} files, {size_words(size)}", soft_wrap=True)

    return told

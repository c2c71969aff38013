"""The workstation that a command works with."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

from agent import screen
from agent.cards.reading import close_interrupted
from agent.outbox.rebuilding import ShowSpoolRead
from agent.settings import state_at
from agent.workstation import Workstation
from service.contract.showing import size_words


class chosen:
    """What the options before the command say."""

    state = state_at(None)


@contextmanager
def opened() -> Iterator[Workstation]:
    """The workstation, its outbox made again if it must be, and what a killed process left set right."""
    with Workstation(chosen.state, screen.warn, spool_read_lines()) as station:
        close_interrupted(station.state, station.outbox, station.spool)
        yield station


def spool_read_lines() -> ShowSpoolRead:
    """Says every few seconds how much of the spool has been read."""
    last = time.monotonic()

    def show(files: int, size: int) -> None:
        nonlocal last
        if time.monotonic() - last >= screen.PLAIN_EVERY:
            last = time.monotonic()
            screen.errors.print(f"still reading the spool: {files} files, {size_words(size)}", soft_wrap=True)

    return show

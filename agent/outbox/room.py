"""Keeps a mark free on the disk under the spool: whoever reads a card waits until there is room."""

from __future__ import annotations

import threading
from collections.abc import Callable

from rich.filesize import decimal

from agent.errors import AgentError
from agent.outbox.database import OutboxFull, is_full
from agent.outbox.originals import Originals
from agent.outbox.pruning import make_room
from agent.outbox.spool import FULL, Spool, SpoolFull

LOOK_EVERY = 1.0


class ReadingStopped(AgentError):
    """The agent was asked to end while it read a card."""


def stopped() -> ReadingStopped:
    return ReadingStopped(
        "Reading was stopped.",
        "What was copied is kept and pushed, marked as not complete. Do not wipe the card.",
        "Put the card in again: what is here already is not copied twice.",
    )


class CardGone(AgentError):
    """The card was taken out while its reading waited for room."""


def _gone() -> CardGone:
    return CardGone(
        "The card was taken out while its reading waited for room on the disk.",
        "What was copied is kept and pushed, marked as not complete. Do not wipe the card.",
        "Free space on the disk or wait until more is pushed, then put the card in again.",
    )


# What the full disk of spool or outbox raises.
DISK_FULL = (SpoolFull, OutboxFull)


class Room:
    """Shared by the threads that read one card; each gives its own access to the outbox. `absent` tells
    that the card is no longer in; `relieve` is called now and then while there is no room."""

    def __init__(
        self,
        spool: Spool,
        keep_free: int,
        stopping: Callable[[], bool],
        say: Callable[[str], None],
        absent: Callable[[], bool] = lambda: False,
        relieve: Callable[[], None] = lambda: None,
    ) -> None:
        self._spool, self._keep_free = spool, keep_free
        self._stopping, self._say, self._absent, self._relieve = stopping, say, absent, relieve
        self._ended = threading.Event()
        self._guard = threading.Lock()
        self._waiting = 0

    def is_full(self, error: Exception) -> bool:
        """Whether an error of spool, journal or outbox says that their disk has no room."""
        if isinstance(error, OSError):
            return error.errno in FULL
        return isinstance(error, DISK_FULL) or is_full(error, self._spool.folder)

    def end(self) -> None:
        """Nobody waits any longer: the reading is over."""
        self._ended.set()

    def could_hold(self, size: int) -> bool:
        """Whether so many bytes would fit above the mark if the disk held nothing else."""
        return size + self._keep_free <= self._spool.total()

    def wait_for(self, size: int, originals: Originals, was_full: bool = False) -> None:
        """Return once `size` bytes fit above the mark; with `was_full` not at once, whatever the disk says.

        Copies that a receipt lists give way first. Raises ReadingStopped when asked to end meanwhile,
        CardGone when the card is taken out.
        """
        wanted = size + self._keep_free
        if not was_full and self._is_room(wanted, originals):
            return
        self._begin(wanted)
        try:
            while True:
                if self._ended.wait(LOOK_EVERY) or self._stopping():
                    raise stopped()
                if self._absent():
                    raise _gone()
                if self._is_room(wanted, originals):
                    break
                self._relieve()
        finally:
            self._finish()

    def _is_room(self, wanted: int, originals: Originals) -> bool:
        if self._spool.free() < wanted:
            make_room(originals, self._spool, wanted)
        return self._spool.free() >= wanted

    def _begin(self, wanted: int) -> None:
        with self._guard:
            self._waiting += 1
            if self._waiting == 1:
                self._say(
                    f"paused: the disk under {self._spool.folder} is full ({decimal(self._spool.free())} "
                    f"free, {decimal(wanted)} wanted); free space or wait for pushing; the card stays in"
                )

    def _finish(self) -> None:
        with self._guard:
            self._waiting -= 1
            if self._waiting == 0 and not self._ended.is_set() and not self._stopping():
                self._say("there is room again: reading goes on - leave the card in")

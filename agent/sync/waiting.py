"""When to try again: trouble of one return waits longer and longer, of the link only until it answers.

All of it by a clock that does not jump; what the outbox keeps over a restart is believed only within bounds.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from uuid import UUID

from agent.clock import steady
from agent.errors import AgentError, LinkDown
from agent.outbox.card_return import CardReturn
from agent.outbox.returns import CardReturns
from agent.sync.large import ReadingBack

SHORTEST_WAIT = 2.0
LONGEST_WAIT = 300.0
FIRST_PROBE = 1.0
LONGEST_PROBE = 15.0
# Seconds until it is asked again whether the service has read a large file back.
ASK_AGAIN = 10.0


def wait_after(tries: int) -> float:
    """Seconds until the next try: growing, bounded, and spread so that workstations do not come at once."""
    return min(LONGEST_WAIT, SHORTEST_WAIT * 2.0 ** min(tries, 10)) * random.uniform(0.7, 1.0)  # noqa: S311


class Waits:
    """Until when each return waits."""

    def __init__(self, clock: Callable[[], float] = steady, wall: Callable[[], float] = time.time) -> None:
        self._clock, self._wall = clock, wall
        self._until: dict[UUID, tuple[float, float]] = {}

    def due(self, return_id: UUID, next_try: float) -> bool:
        """`next_try` is what the outbox says, by the clock of the day on which it was written."""
        noted, until = self._until.get(return_id, (None, 0.0))
        if noted != next_try:
            until = self._clock() + min(LONGEST_WAIT, max(0.0, next_try - self._wall()))
            self._until[return_id] = (next_try, until)
        return self._clock() >= until

    def keep_only(self, return_ids: set[UUID]) -> None:
        self._until = {key: until for key, until in self._until.items() if key in return_ids}


class ServerReach:
    """Whether a server is in reach; while it is not, when to ask next: soon at first, at most 15 s apart."""

    def __init__(self, clock: Callable[[], float] = steady) -> None:
        self._clock = clock
        self._step = FIRST_PROBE
        self._next: float | None = None

    @property
    def down(self) -> bool:
        return self._next is not None

    def due(self) -> bool:
        return self._next is None or self._clock() >= self._next

    def lost(self, moved: bool = False) -> None:
        """It did not serve; `moved`: something had gone through, so that it is worth asking soon."""
        step = FIRST_PROBE if moved or self._next is None else min(LONGEST_PROBE, self._step * 2)
        self._step = step
        self._next = self._clock() + step * random.uniform(0.7, 1.0)  # noqa: S311

    def serves(self) -> None:
        self._next = None
        self._step = FIRST_PROBE


def put_off(returns: CardReturns, card_return: CardReturn, error: AgentError) -> None:
    """Trouble of the link is over when it is back, whatever the clock says; trouble of a return is not."""
    if isinstance(error, LinkDown):
        until = 0.0
    elif isinstance(error, ReadingBack):
        until = time.time() + ASK_AGAIN
    else:
        until = time.time() + min(LONGEST_WAIT, wait_after(card_return.tries))
    returns.put_off(card_return.id, until, error.detail)

"""What goes over the link: how fast it may, how fast it does, how much at once."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from types import TracebackType
from typing import Protocol

from agent.clock import steady

KIB = 1024
# The rate shown is that of the last minute.
WINDOW = 60
SHORTEST = 3.0
# From this rate on a cut loses little beside what is sent between two cuts, however many files are under way.
FAST = 128_000.0
PERIOD = 8.0
# A trial that was not worth it is made again after so many times its length.
TRIALS_APART = 15


class Readable(Protocol):
    def read(self, size: int, /) -> bytes: ...


class Pace:
    """Lets bytes pass at no more than a rate over all threads. None is saved up: what was not used is gone,
    so that the rate holds over any stretch of time, give or take one block."""

    def __init__(
        self,
        limit: Callable[[], float | None],
        clock: Callable[[], float] = steady,
        sleep: Callable[[float], object] = time.sleep,
    ) -> None:
        self._limit, self._clock, self._sleep = limit, clock, sleep
        self._guard = threading.Lock()
        self._free_at = 0.0

    def limit(self) -> float | None:
        """Bytes per second now; None: as fast as the link goes."""
        return self._limit()

    def take(self, size: int) -> None:
        """Wait for the turn of `size` bytes."""
        rate = self._limit()
        if rate is None:
            return
        with self._guard:
            at = self._clock()
            self._free_at = max(self._free_at, at) + size / rate
            wait = self._free_at - at
        self._sleep(wait)


class Meter:
    """Bytes handed to the link, in all and per second of the last minute."""

    def __init__(self, clock: Callable[[], float] = steady) -> None:
        self._clock = clock
        self._guard = threading.Lock()
        self._seconds: deque[tuple[int, int]] = deque()
        self._since: float | None = None
        self.total = 0

    def begin(self) -> None:
        """Sending begins (again) with the next bytes: time before does not count."""
        with self._guard:
            self._since = None
            self._seconds.clear()

    def note(self, size: int) -> None:
        at = self._clock()
        second = int(at)
        with self._guard:
            self._since = at if self._since is None else self._since
            self.total += size
            if self._seconds and self._seconds[-1][0] == second:
                size += self._seconds.pop()[1]
            self._seconds.append((second, size))
            while self._seconds[0][0] < second - WINDOW:
                self._seconds.popleft()

    def rate(self) -> float | None:
        """Bytes per second; None: not known yet."""
        with self._guard:
            at = self._clock()
            if self._since is None or at - self._since < SHORTEST:
                return None
            passed = sum(size for second, size in self._seconds if second >= at - WINDOW)
            return passed / min(at - self._since, WINDOW)


class Lanes:
    """How many files go at once.

    A cut loses what is half sent, so on a slow link files go one by one. One more at a time is tried now and
    then and kept only if it brings half of what it could: then the link is not slow but far away.
    """

    def __init__(self, most: int, clock: Callable[[], float] = steady) -> None:
        self._most, self._clock = most, clock
        self._free = threading.Condition()
        self._busy = 0
        self.allowed = 1
        self._begun: float | None = None
        self._done = 0
        self._before: float | None = None
        # Below this rate the link is not what it was when so many were found good.
        self._least = 0.0
        self._next_trial = 0.0

    def __enter__(self) -> Lanes:
        with self._free:
            while self._busy >= self.allowed:
                self._free.wait(1.0)
            self._busy += 1
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._free:
            self._busy -= 1
            if self._busy < self.allowed:
                self._free.notify()

    def sent(self, size: int, seconds: float) -> None:
        """One file of `size` bytes was taken by the far end, `seconds` after it was begun."""
        with self._free:
            at = self._clock()
            if self._begun is None:
                self._begun = at - seconds
            self._done += size
            if size >= FAST * seconds and self.allowed < self._most:
                self._least = FAST
                self._settle(self._most, at)
            elif at - self._begun >= PERIOD:
                self._judge(self._done / (at - self._begun), at)

    def broken(self) -> None:
        """The link failed: the period that was measured says nothing."""
        with self._free:
            self._begun, self._done, self._before = None, 0, None

    def _judge(self, rate: float, at: float) -> None:
        fewer = self.allowed - 1
        if rate >= FAST:
            self._least = FAST
            self._settle(self._most, at)
        elif self._before is not None and rate < self._before * (1 + 0.5 / fewer):
            self._next_trial = at + TRIALS_APART * (at - (self._begun or at))
            self._settle(fewer, at)
        elif self._before is None and fewer and rate < self._least:
            self._settle(1, at)
        else:
            # A trial that was worth it is followed by the next.
            self._least = rate / 2 if self._before is not None else self._least
            if self.allowed < self._most and at >= self._next_trial:
                self._settle(self.allowed + 1, at, rate)
            else:
                self._settle(self.allowed, at)

    def _settle(self, allowed: int, at: float, before: float | None = None) -> None:
        self.allowed, self._before = allowed, before
        self._begun, self._done = at, 0
        self._free.notify_all()


class Traffic:
    """What is known of the link and asked of it; one per workstation process, over service and store."""

    def __init__(self, uploads: int, limit: Callable[[], float | None] = lambda: None) -> None:
        self.pace = Pace(limit)
        self.meter = Meter()
        self.lanes = Lanes(uploads)

    def block(self) -> int:
        """Bytes to hand on at once: a slow link must take them within the time of one wait, and a limit must
        not come in bursts."""
        limit, rate = self.pace.limit(), self.meter.rate() or FAST
        if limit is not None:
            return max(KIB, min(16 * KIB, int(limit / 8)))
        return 16 * KIB if rate < FAST else 64 * KIB if rate < 8 * FAST else KIB * KIB


class Stream:
    """`size` bytes of `source` on their way out, at most `block` at once, paced and counted."""

    def __init__(self, source: Readable, size: int, traffic: Traffic) -> None:
        self._source, self._traffic = source, traffic
        self.size, self.block = size, traffic.block()
        self.passed = 0

    @property
    def ended(self) -> bool:
        """All of it was handed on."""
        return self.passed == self.size

    def read(self, size: int) -> bytes:
        """Raises OSError, also when the source ends early."""
        if self.ended:
            return b""
        data = self._source.read(min(self.size - self.passed, self.block, size))
        if not data:
            raise OSError("the file is shorter than it was")
        self.passed += len(data)
        self._traffic.pace.take(len(data))
        self._traffic.meter.note(len(data))
        return data

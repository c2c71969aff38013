"""How a bench takes and prints its figures."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Figure:
    """Seconds of ours and theirs, each the median of the runs, taken in turn."""

    name: str
    ours: float
    theirs: float
    remark: str = ""

    def __str__(self) -> str:
        ratio = self.ours / self.theirs
        line = f"{self.name} ratio={ratio:.2f} ours={self.ours:.4f}s theirs={self.theirs:.4f}s"
        return f"{line} ({self.remark})" if self.remark else line


def seconds(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def medians(ours: Callable[[], float], theirs: Callable[[], float], rounds: int) -> tuple[float, float]:
    """Median seconds of each, taken alternately so that a drift of the machine meets both."""
    pairs = [(ours(), theirs()) for _ in range(rounds)]
    return statistics.median(a for a, _ in pairs), statistics.median(b for _, b in pairs)

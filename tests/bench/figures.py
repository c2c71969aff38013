"""How a bench takes and prints its figures."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Figure:
    """Seconds of ours and theirs, each the median of the runs, taken in turn.

    `theirs` None: the plain tool is not installed.
    """

    name: str
    ours: float
    theirs: float | None
    remark: str = ""

    def __str__(self) -> str:
        line = f"{self.name} ours={self.ours:.4f}s (compared with nothing: the plain tool is not installed)"
        if self.theirs is not None:
            ratio = self.ours / self.theirs
            line = f"{self.name} ratio={ratio:.2f} ours={self.ours:.4f}s theirs={self.theirs:.4f}s"
        return f"{line} ({self.remark})" if self.remark else line


def seconds(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def medians(
    ours: Callable[[], float], theirs: Callable[[], float] | None, rounds: int
) -> tuple[float, float | None]:
    """Median seconds of each, taken alternately so that a drift of the machine meets both."""
    pairs = [(ours(), theirs() if theirs else None) for _ in range(rounds)]
    compared = [one for _, one in pairs if one is not None]
    return statistics.median(one for one, _ in pairs), statistics.median(compared) if compared else None

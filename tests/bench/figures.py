"""How a bench takes and prints its figures."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median

# Seconds of ours and theirs, taken one right after the other; None: the plain tool is not installed.
Pair = tuple[float, float | None]


@dataclass(frozen=True)
class Figure:
    """Medians over the pairs. The ratio is the median of their ratios: a machine that is slow for a while is
    slow for both sides of a pair."""

    name: str
    pairs: Sequence[Pair]
    remark: str

    def __str__(self) -> str:
        ours = median(ours for ours, _ in self.pairs)
        compared = [(ours, theirs) for ours, theirs in self.pairs if theirs is not None]
        if not compared:
            return (
                f"{self.name} ours={ours:.4f}s (compared with nothing: the plain tool is not installed)"
                f" ({self.remark})"
            )
        theirs = median(theirs for _, theirs in compared)
        ratio = median(ours / theirs for ours, theirs in compared)
        return f"{self.name} ratio={ratio:.2f} ours={ours:.4f}s theirs={theirs:.4f}s ({self.remark})"


def seconds(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def in_turn(ours: Callable[[], float], theirs: Callable[[], float] | None, rounds: int) -> list[Pair]:
    """Pairs of seconds. Who goes first changes."""
    return [pair(ours, theirs, ours_first=turn % 2 == 0) for turn in range(rounds)]


def pair(ours: Callable[[], float], theirs: Callable[[], float] | None, *, ours_first: bool) -> Pair:
    if theirs is None:
        return ours(), None
    if ours_first:
        return ours(), theirs()
    after = theirs()
    return ours(), after

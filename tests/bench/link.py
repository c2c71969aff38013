"""Push over 20 Mbit/s with 80 ms there and back, against `rclone copy` over the same link.

Pictures of about 300 kB, as in the other benches; smalllink.py is the same with those of a smaller sensor.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.bench.card import LARGE, Pictures, Ways, filled_card, size_of
from tests.bench.figures import Figure
from tests.bench.push import rounds
from tests.bench.shaped import shaped

ROUNDS = 3
RATE = 20e6 / 8
DELAY = 0.040


def run(folder: Path) -> Figure:
    return measure(folder, "link", files=400, pictures=LARGE)


def measure(folder: Path, name: str, files: int, pictures: Pictures) -> Figure:
    with filled_card(folder, 0, over=slow) as bench:
        ours, theirs = rounds(bench, folder, ROUNDS, files, pictures)
        size = size_of(bench.card)
        return Figure(
            name,
            ours,
            theirs,
            f"{files} files of {size / files / 1000:.0f} kB, {size / 1e6:.0f} MB over 20 Mbit/s, 80 ms;"
            f" the bytes alone {size / RATE:.1f}s; {bench.memory()}",
        )


@contextmanager
def slow(service: str, store: str) -> Iterator[Ways]:
    with shaped(RATE, DELAY, service, store) as (to_service, to_store):
        yield Ways(to_service, to_store)

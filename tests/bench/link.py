"""Push over 20 Mbit/s with 80 ms there and back, against `rclone copy` over the same link.

Pictures of about 300 kB, as in the other benches; smalllink.py is the same with those of a smaller sensor.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.bench.card import LARGE, Pictures, Ways, fill, filled_card, prepared, size_of
from tests.bench.figures import Figure, seconds
from tests.bench.push import held, rclone, rest
from tests.bench.shaped import shaped

ROUNDS = 3
RATE = 20e6 / 8
DELAY = 0.040


def run(folder: Path) -> Figure:
    return measure(folder, "link", files=400, pictures=LARGE)


def measure(folder: Path, name: str, files: int, pictures: Pictures) -> Figure:
    ours, theirs = [], []
    with filled_card(folder, 0, over=slow) as bench:
        for number in range(ROUNDS):
            bench.card = prepared(bench, folder / f"card-{number}")
            fill(bench.card, files, 1 + number * files, pictures)
            bench.agent("read", str(bench.card), "--no-push")
            ours.append(bench.push())
            held(bench)
            rest(bench)
            theirs.append(seconds(lambda number=number: rclone(bench, f"link-{number}")))
        size = size_of(bench.card)
        return Figure(
            name,
            statistics.median(ours),
            statistics.median(theirs),
            f"{files} files of {size / files / 1000:.0f} kB, {size / 1e6:.0f} MB over 20 Mbit/s, 80 ms;"
            f" the bytes alone {size / RATE:.1f}s; {bench.memory()}",
        )


@contextmanager
def slow(service: str, store: str) -> Iterator[Ways]:
    with shaped(RATE, DELAY, service, store) as (to_service, to_store):
        yield Ways(to_service, to_store)

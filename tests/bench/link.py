"""Push over 20 Mbit/s with 80 ms there and back, against `rclone copy` over the same link.

Pictures of about 300 kB, as in the other benches; smalllink.py is the same with those of a smaller sensor.
"""

from __future__ import annotations

from pathlib import Path

from tests.bench.card import LARGE, RATE, Bench, Pictures, filled_card, size_of, slow
from tests.bench.figures import Figure
from tests.bench.ground import Ground
from tests.bench.plain import RCLONE
from tests.bench.push import WARMING, rounds

TOOLS = (RCLONE,)
ROUNDS = 3


def run(folder: Path) -> Figure:
    with filled_card(folder, 0, over=slow) as bench:
        return measured(bench, folder, "link", ROUNDS, files=400, pictures=LARGE)


def small(ground: Ground) -> Figure:
    return measured(ground.bench, ground.folder("link"), "link", 1, files=4, pictures=LARGE, warming=0)


def measured(
    bench: Bench, folder: Path, name: str, number: int, files: int, pictures: Pictures, warming: int = WARMING
) -> Figure:
    pairs = rounds(bench, folder, number, files, pictures, warming)
    size = size_of(bench.card)
    return Figure(
        name,
        pairs,
        f"{files} files of {size / files / 1000:.0f} kB, {size / 1e6:.0f} MB over 20 Mbit/s, 80 ms;"
        f" the bytes alone {size / RATE:.1f}s; {bench.memory()}",
    )

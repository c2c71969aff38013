"""The link of link.py with pictures of a 640 x 480 sensor: there the way to and fro counts, not the bytes."""

from __future__ import annotations

from pathlib import Path

from tests.bench.card import Pictures, filled_card, slow
from tests.bench.figures import Figure
from tests.bench.ground import Ground
from tests.bench.link import ROUNDS, TOOLS, measured

__all__ = ["TOOLS", "run", "small"]
PICTURES: Pictures = ((640, 480), 85)


def run(folder: Path) -> Figure:
    with filled_card(folder, 0, over=slow) as bench:
        return measured(bench, folder, "smalllink", ROUNDS, files=400, pictures=PICTURES)


def small(ground: Ground) -> Figure:
    folder = ground.folder("smalllink")
    return measured(ground.bench, folder, "smalllink", 1, files=4, pictures=PICTURES, warming=0)

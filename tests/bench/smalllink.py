"""The link of link.py with pictures of a 640 x 480 sensor: there the way to and fro counts, not the bytes."""

from __future__ import annotations

from pathlib import Path

from tests.bench.figures import Figure
from tests.bench.link import measure


def run(folder: Path) -> Figure:
    return measure(folder, "smalllink", files=400, pictures=((640, 480), 85))

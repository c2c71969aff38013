"""Second read of an unchanged card that is held centrally, against `sha256sum` of its files."""

from __future__ import annotations

from pathlib import Path

from tests.bench.card import Bench, fill, filled_card, prepared, size_of
from tests.bench.figures import Figure, in_turn, seconds
from tests.bench.ground import Ground
from tests.bench.plain import missing, sha256sum
from tests.bench.push import rest

TOOLS = ("find", "xargs", "sha256sum")
FILES = 2000
ROUNDS = 9


def run(folder: Path) -> Figure:
    with filled_card(folder, FILES) as bench:
        return measured(bench, ROUNDS)


def small(ground: Ground) -> Figure:
    bench = ground.bench
    bench.card = prepared(bench, ground.folder("reread") / "card")
    fill(bench, 4)
    return measured(bench, 1)


def measured(bench: Bench, number: int) -> Figure:
    bench.agent("read", str(bench.card), "--push")
    rest(bench)

    def ours() -> float:
        return seconds(lambda: bench.agent("read", str(bench.card), "--no-push"))

    def theirs() -> float:
        return seconds(lambda: sha256sum(bench.card))

    lacking = bool(missing(TOOLS))
    if not lacking:
        sha256sum(bench.card)
    pairs = in_turn(ours, None if lacking else theirs, number)
    size = f"{len(list(bench.card.rglob('*.JPG')))} files, {size_of(bench.card) / 1e6:.0f} MB"
    return Figure("reread", pairs, f"{size}, warm cache; {bench.memory()}")

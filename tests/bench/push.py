"""Push of 2,000 files of 300 kB: agent, service and store, against `rclone copy` into the same store."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable
from pathlib import Path

from tests.bench.card import LARGE, Bench, Pictures, fill, filled_card, prepared, size_of
from tests.bench.figures import Figure, Pair, pair, seconds
from tests.bench.fleet import psql
from tests.bench.ground import Ground
from tests.bench.plain import RCLONE, missing, rclone

TOOLS = (RCLONE,)
WARMING = 40


def run(folder: Path) -> Figure:
    with filled_card(folder, 0) as bench:
        return measured(bench, folder, number=4, files=2000)


def small(ground: Ground) -> Figure:
    return measured(ground.bench, ground.folder("push"), number=1, files=4, warming=0)


def measured(bench: Bench, folder: Path, number: int, files: int, warming: int = WARMING) -> Figure:
    pairs = rounds(bench, folder, number, files, LARGE, warming)
    size = size_of(bench.card)
    return Figure("push", pairs, f"{files} files, {size / 1e6:.0f} MB; {bench.memory()}")


def rounds(
    bench: Bench, folder: Path, number: int, files: int, pictures: Pictures, warming: int = WARMING
) -> list[Pair]:
    """Pairs of seconds, each with a new card. Who goes first changes.

    A small card goes before them: a new store makes its folders and volumes at the first writes.
    """
    if warming:
        with_new_card(bench, folder / "warming", warming, pictures)
    return [
        with_new_card(bench, folder / f"card-{turn}", files, pictures, ours_first=turn % 2 == 0)
        for turn in range(number)
    ]


def with_new_card(bench: Bench, card: Path, files: int, pictures: Pictures, ours_first: bool = True) -> Pair:
    """Our seconds and theirs with a new card of new pictures; ours begin with it in the spool."""
    bench.card = prepared(bench, card)
    fill(bench, files, pictures)
    bench.agent("read", str(bench.card), "--no-push")
    prefix = f"{card.parent.name}-{card.name}"

    def ours() -> float:
        return at_rest(bench, bench.push)

    def theirs() -> float:
        return at_rest(bench, lambda: seconds(lambda: rclone(bench.stack.environment, bench.card, prefix)))

    taken = pair(ours, None if missing(TOOLS) else theirs, ours_first=ours_first)
    held(bench)
    return taken


def at_rest(bench: Bench, timed: Callable[[], float]) -> float:
    """Take a time when nothing else goes on: no thumbnail is made, no earlier byte goes to the disk."""
    rest(bench)
    os.sync()
    return timed()


def held(bench: Bench) -> None:
    """What was timed must also have ended well."""
    returns = json.loads(bench.station.run("status", "--json"))["cardReturns"]
    if not returns or not all("held centrally" in one["custody"] for one in returns):
        raise AssertionError("A card was not held centrally after the push.")


def rest(bench: Bench) -> None:
    """Wait until the thumbnails are made."""
    waiting = "SELECT count(*) FROM procrastinate_jobs WHERE status IN ('todo', 'doing')"
    while int(psql(bench.stack, "-At", "-c", waiting)):
        time.sleep(0.2)

"""Push of 2,000 files of 300 kB: agent, service and store, against `rclone copy` into the same store."""

from __future__ import annotations

import os
import statistics
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

from agent.settings import Settings
from tests.bench.card import LARGE, Bench, Pictures, fill, filled_card, prepared, size_of
from tests.bench.figures import Figure, seconds
from tests.bench.fleet import psql

FILES = 2000
ROUNDS = 4
WARMING = 40


def run(folder: Path) -> Figure:
    with filled_card(folder, 0) as bench:
        ours, theirs = rounds(bench, folder, ROUNDS, FILES, LARGE)
        size = size_of(bench.card)
        return Figure("push", ours, theirs, f"{FILES} files, {size / 1e6:.0f} MB; {bench.memory()}")


def rounds(bench: Bench, folder: Path, number: int, files: int, pictures: Pictures) -> tuple[float, float]:
    """Medians of our seconds and theirs, each round with a new card. Who goes first changes.

    A small card goes before them: a new store makes its folders and volumes at the first writes.
    """
    in_turn(bench, folder / "warming", range(WARMING), pictures)
    taken = []
    for turn in range(number):
        first = WARMING + turn * files
        new = range(first, first + files)
        taken.append(in_turn(bench, folder / f"card-{turn}", new, pictures, ours_first=turn % 2 == 0))
    ours, theirs = zip(*taken, strict=True)
    return statistics.median(ours), statistics.median(theirs)


def in_turn(
    bench: Bench, card: Path, numbers: range, pictures: Pictures, ours_first: bool = True
) -> tuple[float, float]:
    """Our seconds and theirs with a new card that has these pictures; ours begin with it in the spool."""
    bench.card = prepared(bench, card)
    fill(bench.card, len(numbers), numbers.start, pictures)
    bench.agent("read", str(bench.card), "--no-push")
    timed = {"ours": bench.push, "theirs": lambda: seconds(lambda: rclone(bench, card.name))}
    order = sorted(timed, reverse=not ours_first)
    taken = {name: at_rest(bench, timed[name]) for name in order}
    held(bench)
    return taken["ours"], taken["theirs"]


def at_rest(bench: Bench, timed: Callable[[], float]) -> float:
    """Take a time when nothing else goes on: no thumbnail is made, no earlier byte goes to the disk."""
    rest(bench)
    os.sync()
    return timed()


def held(bench: Bench) -> None:
    """What was timed must also have ended well."""
    if "held centrally" not in bench.station.run("status"):
        raise AssertionError("The card was not held centrally after the push.")


def rest(bench: Bench) -> None:
    """Wait until the thumbnails are made."""
    waiting = "SELECT count(*) FROM procrastinate_jobs WHERE status IN ('todo', 'doing')"
    while int(psql(bench.stack, "-At", "-c", waiting)):
        time.sleep(0.2)


def rclone(bench: Bench, prefix: str) -> None:
    """The same folder into another prefix of the same store, over the agent's way to it, with as many
    transfers as the agent has."""
    environment = bench.stack.environment
    settings = {
        "RCLONE_CONFIG": os.devnull,
        "RCLONE_CONFIG_STORE_TYPE": "s3",
        "RCLONE_CONFIG_STORE_PROVIDER": "Other",
        "RCLONE_CONFIG_STORE_ENDPOINT": environment["SIGHTLEDGER_S3_PUBLIC_ENDPOINT"],
        "RCLONE_CONFIG_STORE_ACCESS_KEY_ID": environment["SIGHTLEDGER_S3_ACCESS_KEY"],
        "RCLONE_CONFIG_STORE_SECRET_ACCESS_KEY": environment["SIGHTLEDGER_S3_SECRET_KEY"],
        "RCLONE_CONFIG_STORE_FORCE_PATH_STYLE": "true",
    }
    transfers = ["--transfers", str(Settings().uploads)]
    kept = {name: value for name, value in os.environ.items() if name != "AWS_CA_BUNDLE"}
    subprocess.run(
        ["rclone", "copy", *transfers, "--include", "*.JPG", bench.card, f"store:images/{prefix}"],
        env={**kept, **settings},
        check=True,
        capture_output=True,
    )

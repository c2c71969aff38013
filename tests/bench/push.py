"""Push of 2,000 files of 300 kB: agent, service and store, against `rclone copy` into the same store."""

from __future__ import annotations

import os
import statistics
import subprocess
import time
from pathlib import Path

from tests.bench.card import Bench, filled_card, size_of
from tests.bench.figures import Figure, seconds
from tests.bench.fleet import psql

FILES = 2000
ROUNDS = 3


def run(folder: Path) -> Figure:
    ours, theirs, reads, most = [], [], [], 0.0
    for number in range(ROUNDS):
        part = folder / f"round-{number}"
        part.mkdir()
        with filled_card(part, FILES) as bench:
            reads.append(seconds(lambda bench=bench: bench.agent("read", str(bench.card), "--no-push")))
            ours.append(bench.push())
            held(bench)
            rest(bench)
            theirs.append(seconds(lambda bench=bench: rclone(bench)))
            size, most = size_of(bench.card), max(most, bench.most)
            start = bench.start
    read = statistics.median(reads)
    return Figure(
        "push",
        statistics.median(ours),
        statistics.median(theirs),
        f"{FILES} files, {size / 1e6:.0f} MB; reading the card into the spool before it {read:.1f}s;"
        f" agent started {start:.1f}s before its push; at most {most:.0f} MB",
    )


def held(bench: Bench) -> None:
    """What was timed must also have ended well."""
    if "held centrally" not in bench.station.run("status"):
        raise AssertionError("The card was not held centrally after the push.")


def rest(bench: Bench) -> None:
    """Wait until the thumbnails are made: that work must not slow down what is timed next."""
    waiting = "SELECT count(*) FROM procrastinate_jobs WHERE status IN ('todo', 'doing')"
    while int(psql(bench.stack, "-At", "-c", waiting)):
        time.sleep(0.2)


def rclone(bench: Bench, prefix: str = "bench") -> None:
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
    kept = {name: value for name, value in os.environ.items() if name != "AWS_CA_BUNDLE"}
    subprocess.run(
        ["rclone", "copy", "--transfers", "4", "--include", "*.JPG", bench.card, f"store:images/{prefix}"],
        env={**kept, **settings},
        check=True,
        capture_output=True,
    )

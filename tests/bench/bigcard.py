"""A card of 50,000 small files: reading and pushing, and what memory agent and service took at most.

Against `rclone copy` of the same folder into the same store.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from tests.bench.card import Bench, filled_card
from tests.bench.figures import Figure, seconds
from tests.bench.push import held, rclone, rest

FILES = 50_000
PER_FOLDER = 900
PEAK = re.compile(r"VmHWM:\s+(\d+) kB")


def run(folder: Path) -> Figure:
    with filled_card(folder, 0) as bench:
        fill(bench.card)
        read_peak = agent(bench, "read", str(bench.card), "--no-push")
        peaks = []
        ours = seconds(lambda: peaks.append(agent(bench, "run", "--once")))
        held(bench)
        rest(bench)
        service = max(map(peak, under(bench.stack.service.pid)))
        theirs = seconds(lambda: rclone(bench))
        return Figure(
            "bigcard",
            ours,
            theirs,
            f"{FILES} files; at most MB: agent reading {read_peak:.0f}, pushing {peaks[0]:.0f},"
            f" service {service:.0f}",
        )


def fill(card: Path) -> None:
    folders = sorted(path for path in card.iterdir() if path.is_dir() and path.name[0].isdigit())
    for number in range(FILES):
        folder = folders[number // PER_FOLDER % len(folders)]
        (folder / f"{number:08d}.JPG").write_bytes(f"no picture {number}".encode() * 6)


def agent(bench: Bench, *words: str) -> float:
    """Run one command of the agent to its end; the most memory it had, in MB."""
    environment = {**os.environ, **bench.station.environment}
    running = subprocess.Popen(
        [sys.executable, "-m", "agent", *words], env=environment, stdout=subprocess.DEVNULL
    )
    most = 0.0
    while running.poll() is None:
        most = max(most, peak(running.pid))
        time.sleep(0.1)
    if running.returncode:
        raise AssertionError(f"sightledger-agent {' '.join(words)} ended with {running.returncode}.")
    return most


def peak(pid: int) -> float:
    """The most memory a process has had so far, in MB; 0 when it is gone."""
    try:
        found = PEAK.search(Path(f"/proc/{pid}/status").read_text())
    except OSError:
        return 0.0
    return int(found[1]) / 1024 if found else 0.0


def under(pid: int) -> Iterator[int]:
    """The process and all its children."""
    yield pid
    for task in Path(f"/proc/{pid}/task").iterdir():
        for child in (task / "children").read_text().split():
            yield from under(int(child))

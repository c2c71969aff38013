"""A card of 50,000 small files: reading and pushing, and what memory agent and service took at most.

Against `rclone copy` of the same folder into the same store.
"""

from __future__ import annotations

from pathlib import Path

from tests.bench.card import Bench, filled_card, prepared, seconds_of
from tests.bench.figures import Figure, seconds
from tests.bench.ground import Ground
from tests.bench.memory import peak, under
from tests.bench.plain import RCLONE, missing, rclone
from tests.bench.push import held, rest

TOOLS = (RCLONE,)
FILES = 50_000
PER_FOLDER = 900


def run(folder: Path) -> Figure:
    with filled_card(folder, 0) as bench:
        return measured(bench, FILES)


def small(ground: Ground) -> Figure:
    bench = ground.bench
    bench.card = prepared(bench, ground.folder("bigcard") / "card")
    return measured(bench, 120)


def measured(bench: Bench, files: int) -> Figure:
    fill(bench.card, files)
    peaks: list[float] = []
    read = seconds(lambda: peaks.append(bench.agent("read", str(bench.card), "--no-push")))
    ours = seconds(lambda: peaks.append(bench.agent("run", "--once")))
    held(bench)
    rest(bench)
    service = max(map(peak, under(bench.stack.service.pid)))
    theirs = None
    if not missing(TOOLS):
        theirs = seconds(lambda: rclone(bench.stack.environment, bench.card, bench.card.parent.name))
    return Figure(
        "bigcard",
        [(ours, theirs)],
        f"{files} files; reading {read:.1f}s, commit {seconds_of(bench, '/commit'):.1f}s of the push;"
        f" at most MB: agent reading {peaks[0]:.0f}, pushing {peaks[1]:.0f}, service {service:.0f}",
    )


def fill(card: Path, files: int) -> None:
    folders = sorted(path for path in card.iterdir() if path.is_dir() and path.name[0].isdigit())
    for number in range(files):
        folder = folders[number // PER_FOLDER % len(folders)]
        (folder / f"{number:08d}.JPG").write_bytes(f"no picture {number}".encode() * 6)

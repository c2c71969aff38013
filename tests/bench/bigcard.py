"""A card of 50,000 small files: reading and pushing, and what memory agent and service took at most.

Against `rclone copy` of the same folder into the same store.
"""

from __future__ import annotations

from pathlib import Path

from tests.bench.card import filled_card, seconds_of
from tests.bench.figures import Figure, seconds
from tests.bench.memory import peak, under
from tests.bench.push import held, rclone, rest

FILES = 50_000
PER_FOLDER = 900


def run(folder: Path) -> Figure:
    with filled_card(folder, 0) as bench:
        fill(bench.card)
        peaks: list[float] = []
        read = seconds(lambda: peaks.append(bench.agent("read", str(bench.card), "--no-push")))
        ours = seconds(lambda: peaks.append(bench.agent("run", "--once")))
        held(bench)
        rest(bench)
        service = max(map(peak, under(bench.stack.service.pid)))
        theirs = seconds(lambda: rclone(bench, bench.card.name))
        return Figure(
            "bigcard",
            ours,
            theirs,
            f"{FILES} files; reading {read:.1f}s, commit {seconds_of(bench, '/commit'):.1f}s of the push;"
            f" at most MB: agent reading {peaks[0]:.0f}, pushing {peaks[1]:.0f}, service {service:.0f}",
        )


def fill(card: Path) -> None:
    folders = sorted(path for path in card.iterdir() if path.is_dir() and path.name[0].isdigit())
    for number in range(FILES):
        folder = folders[number // PER_FOLDER % len(folders)]
        (folder / f"{number:08d}.JPG").write_bytes(f"no picture {number}".encode() * 6)

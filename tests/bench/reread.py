"""Second read of an unchanged card that is held centrally, against `sha256sum` of its files."""

from __future__ import annotations

import subprocess
from pathlib import Path

from tests.bench.card import filled_card, size_of
from tests.bench.figures import Figure, medians, seconds

FILES = 2000
ROUNDS = 3


def run(folder: Path) -> Figure:
    with filled_card(folder, FILES) as bench:
        bench.agent("read", str(bench.card), "--push")

        def ours() -> float:
            return seconds(lambda: bench.agent("read", str(bench.card), "--no-push"))

        def theirs() -> float:
            return seconds(lambda: _sha256sum(bench.card))

        _sha256sum(bench.card)
        again, plain = medians(ours, theirs, ROUNDS)
        return Figure(
            "reread",
            again,
            plain,
            f"{FILES} files, {size_of(bench.card) / 1e6:.0f} MB, warm cache; {bench.memory()}",
        )


def _sha256sum(card: Path) -> None:
    subprocess.run(
        f"find '{card}' -name '*.JPG' -print0 | xargs -0 sha256sum",
        shell=True,
        check=True,
        capture_output=True,
    )

"""Every bench runs to its end in small, so that none rots unseen. What it measures here means nothing."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.bench.__main__ import NAMES, TOOL_MISSING, UNKNOWN, module, small
from tests.bench.ground import Ground
from tests.bench.plain import missing
from tests.engines import throwaway_folder

ROOT = Path(__file__).parents[2]
COMPARED = r"{} ratio=\d+\.\d\d ours=\d+\.\d{{4}}s theirs=\d+\.\d{{4}}s \(.+\)"
ALONE = r"{} ours=\d+\.\d{{4}}s \(compared with nothing: the plain tool is not installed\) \(.+\)"

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="memory from /proc")


@pytest.fixture(scope="module")
def ground() -> Iterator[Ground]:
    with throwaway_folder() as folder, Ground(folder) as made:
        yield made


@pytest.mark.parametrize("name", NAMES)
def test_a_bench_runs_to_its_end(ground: Ground, name: str) -> None:
    lines: list[str] = []
    assert small([name], ground, lambda figure: lines.append(str(figure))) == 0
    shape = ALONE if missing(module(name).TOOLS) else COMPARED
    assert re.fullmatch(shape.format(name), "\n".join(lines)), lines


def test_without_the_plain_tool_the_rest_of_a_small_bench_runs_and_says_what_was_left_out(
    ground: Ground, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    lines: list[str] = []
    assert small(["bigcard"], ground, lambda figure: lines.append(str(figure))) == 0
    assert re.fullmatch(ALONE.format("bigcard"), "\n".join(lines)), lines


def bench(*words: str, path: str | None = None) -> subprocess.CompletedProcess[str]:
    environment = os.environ if path is None else {**os.environ, "PATH": path}
    command = [sys.executable, "-m", "tests.bench", *words]
    return subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=60)


def test_a_missing_tool_is_named_with_what_cannot_be_measured(tmp_path: Path) -> None:
    done = bench("push", "bigcard", path=str(tmp_path))
    assert (done.returncode, done.stdout) == (TOOL_MISSING, "")
    assert done.stderr == (
        "rclone is not installed, so these cannot be measured: push, bigcard. "
        "Install it (Debian: apt-get install rclone) and run them again.\n"
    )


def test_an_unknown_bench_is_named() -> None:
    done = subprocess.run(["sh", "tests/bench/run", "pull"], cwd=ROOT, capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (UNKNOWN, "")
    assert done.stderr.startswith("There is no bench pull; there are push, link, ")

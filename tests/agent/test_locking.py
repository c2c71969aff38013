"""Locks of a workstation: one holder at a time, over processes, threads and places in the code."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from time import monotonic

import pytest

from agent.locking import lock
from tests.live_service import ROOT

HOLD = """
import sys
from pathlib import Path
from agent.locking import lock
with lock(Path(sys.argv[1])) as ours:
    print(ours, flush=True)
    sys.stdin.read()
"""


@contextmanager
def another_process(path: Path) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """What it is told when it asks for the lock; it keeps it until it ends."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    ) as process:
        try:
            assert process.stdout is not None
            yield process.stdout.readline().strip(), process
        finally:
            process.kill()


def ours(path: Path) -> bool:
    with lock(path) as answer:
        return answer


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """In a folder that is not there yet."""
    return tmp_path / "locks" / "push.lock"


def test_a_lock_has_one_holder_in_one_process(path: Path) -> None:
    with lock(path) as first, ThreadPoolExecutor(1) as other_thread:
        assert first
        assert not ours(path), "another place of the same thread"
        assert not other_thread.submit(ours, path).result()
        assert not ours(path), "who asked in vain has let go of nothing"
        assert ours(path.with_name("other.lock"))
    assert ours(path)


def test_a_lock_is_let_go_of_when_the_work_fails(path: Path) -> None:
    with pytest.raises(ValueError, match="of the work"), lock(path):
        raise ValueError("of the work")
    assert ours(path)


def test_a_lock_excludes_other_processes_at_once_and_ends_with_its_process(path: Path) -> None:
    with another_process(path) as (answer, holder):
        assert answer == "True"
        asked = monotonic()
        assert not ours(path)
        assert monotonic() - asked < 0.5
        holder.kill()
        holder.wait()
        assert ours(path)
        with lock(path) as taken, another_process(path) as (refused, _):
            assert (taken, refused) == (True, "False")


def test_a_lock_whose_file_was_removed_can_be_had_again(path: Path) -> None:
    with lock(path):
        path.unlink()
    assert ours(path)

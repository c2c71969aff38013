"""A full disk under the state folder: a sentence for every command, nothing lost, and it goes on by itself
(p29)."""

from __future__ import annotations

import os
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.outbox import spool
from agent.outbox.database import explained
from agent.running import runner
from agent.settings import State
from tests.agent.station import Bench, jpeg, make_bench, put
from tests.agent.test_commands import agent
from tests.disks import Disk, can_mount

pytestmark = pytest.mark.skipif(not can_mount(), reason="a small disk cannot be mounted here")


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """16 MB of ext4 in blocks of 1 kB: smaller than a page of memory, as small media are."""
    try:
        made = Disk(tmp_path / "disk", tmp_path / "disk.img", 16 * 1024 * 1024, block=1024)
    except subprocess.CalledProcessError:
        pytest.skip("this machine mounts no image")
    yield made.place
    made.close()


@pytest.fixture
def small(disk: Path, tmp_path: Path) -> Iterator[Bench]:
    bench = make_bench(disk)
    bench.card = tmp_path / "slots" / "card"
    bench.card.mkdir(parents=True)
    (bench.station.state.folder / "agent.toml").write_text(
        f"spool_free = 0\nmedia_roots = ['{tmp_path}/slots/*']\nwatch_every = 0.1\n", "utf-8"
    )
    with bench.station:
        yield bench


def fill(disk: Path, leave: int) -> Path:
    """Take all but about `leave` bytes of a disk."""
    ballast = disk / "ballast"
    with ballast.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            pass
        file.truncate(max(0, file.tell() - leave))
        os.fsync(file.fileno())
    return ballast


@pytest.mark.parametrize("leave", [0, 8_000, 200_000])
@pytest.mark.parametrize(
    "command", [("status",), ("queue",), ("read", "CARD", "--no-push"), ("run", "--once"), ("rebuild",)]
)
def test_p29_each_command_says_that_the_disk_is_full(
    small: Bench, disk: Path, leave: int, command: tuple[str, ...]
) -> None:
    put(small.card, "A.JPG", jpeg(1))
    small.station.outbox.connection.close()
    ballast = fill(disk, leave)
    told = agent(
        small.station.state.folder, *(part.replace("CARD", str(small.card)) for part in command), code=6
    )
    assert "Traceback" not in told
    assert f"The disk under {small.station.state.folder} is full" in told
    assert "Do not wipe any card." in told
    ballast.unlink()
    agent(small.station.state.folder, "read", str(small.card), "--no-push")


def test_p29_run_tells_of_a_full_disk_once_and_goes_on_when_there_is_room(
    small: Bench, disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runner, "AFTER_TROUBLE", 0.1)
    small.prepare()
    small.station.outbox.connection.close()
    ballast, lines = fill(disk, 8_000), list[str]()
    running = runner.Runner(State(small.station.state.folder), lines.append)
    thread = threading.Thread(target=running.forever)
    thread.start()
    try:
        time.sleep(1)
        assert thread.is_alive(), "started while the disk was full, it waits"
        assert [line for line in lines if "is full" in line] == lines[:1]
        lines.clear()
        ballast.unlink()
        time.sleep(0.5)
        ballast = fill(disk, 8_000)
        put(small.card, "01 G.ID/A.JPG", jpeg(1))
        time.sleep(3)
        told = [line for line in lines if "is full" in line]
        assert 1 <= len(told) <= 3, "not again at each try"
        ballast.unlink()
        until = time.monotonic() + 30
        while not any("copied here - the card may be removed" in line for line in lines):
            assert time.monotonic() < until, lines
            time.sleep(0.1)
    finally:
        running.stop()
        thread.join(20)


def test_p29_a_disk_that_is_full_at_the_rename_blames_the_disk_not_the_file(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder of the spool may need another block for a name, when none is left."""
    from agent.outbox import room

    put(bench.card, "A.JPG", jpeg(1))
    monkeypatch.setattr(room, "LOOK_EVERY", 0.05)
    real, left = Path.replace, [3]

    def replace(source: Path, target: Path) -> Path:
        if "incoming" in str(source) and left[0]:
            left[0] -= 1
            raise OSError(28, "No space left on device")
        return real(source, target)

    monkeypatch.setattr(Path, "replace", replace)
    return_id = bench.read()
    assert bench.station.outbox.unread.of(return_id) == []
    assert set(bench.files(return_id)) == {"A.JPG"}
    assert left == [0]


def test_p29_a_spool_that_fails_is_no_fault_of_the_card(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    put(bench.card, "B.JPG", jpeg(2))

    def replace(source: Path, target: Path) -> Path:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(Path, "replace", replace)
    with pytest.raises(spool.SpoolError, match="failed"):
        bench.read()
    [row] = bench.station.outbox.returns.newest()
    assert not row.complete
    assert all("could not be read" not in file.why for file in bench.station.outbox.unread.of(row.id))


@pytest.mark.parametrize(
    "error",
    [OSError(13, "Permission denied", "/x/y"), OSError(30, "Read-only file system"), ValueError("odd")],
)
def test_whatever_goes_wrong_is_said_with_what_it_means_and_what_to_do(
    tmp_path: Path, error: Exception
) -> None:
    trouble = explained(error, tmp_path / "outbox.sqlite3")
    assert trouble.detail
    assert "not lost" in (trouble.consequence or "")
    assert trouble.next_step

"""A card larger than the room in the spool: what is copied goes ahead while the rest is read (p29)."""

from __future__ import annotations

import hashlib
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from agent.outbox import room
from agent.running import runner
from agent.settings import State
from agent.workstation import Workstation
from tests.agent.sites import Site, make_site
from tests.agent.station import Bench, jpeg, put
from tests.disks import can_mount, memory_disk
from tests.live_service import Running

MB = 1_000_000
small_disk = pytest.mark.skipif(not can_mount(), reason="a small disk cannot be mounted here")


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    with memory_disk(tmp_path / "small", 12) as place:
        yield place


@pytest.fixture
def small(service: Running, database_url: str, tmp_path: Path, disk: Path) -> Site:
    """A workstation whose spool has 12 MB, of which 1 MB stays free."""
    (tmp_path / "state").mkdir()
    (tmp_path / "state" / "spool").symlink_to(disk)
    made = make_site(service, database_url, tmp_path)
    (made.state.folder / "agent.toml").write_text(
        f"spool_free = {MB}\nmedia_roots = ['{tmp_path}/slots/*']\nwatch_every = 0.2\n", "utf-8"
    )
    return made


@contextmanager
def running(state: State) -> Iterator[list[str]]:
    """`run` in threads of this process; its lines."""
    lines: list[str] = []
    agent = runner.Runner(state, lines.append)
    thread = threading.Thread(target=agent.forever)
    thread.start()
    try:
        yield lines
    finally:
        agent.stop()
        thread.join(60)


def wait_until(true: Callable[[], bool], lines: list[str], seconds: float = 90) -> None:
    until = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < until, "\n".join(lines)
        time.sleep(0.1)


def films(card: Path, number: int, size: int = 300_000) -> dict[str, bytes]:
    made = {f"01 A/F{n:03}.MP4": os.urandom(size) for n in range(number)}
    for name, data in made.items():
        put(card, name, data)
    return made


@small_disk
def test_p29_a_card_larger_than_the_spool_is_held_without_anybodys_help(small: Site) -> None:
    small.agent("prepare", small.unit, "--profile", "two-level", "--card", str(small.card))
    taken = films(small.card, 100)
    with running(small.state) as lines:
        wait_until(lambda: any("the card may be wiped by a person" in line for line in lines), lines)
    assert any("paused: the disk under" in line for line in lines), "it was larger than the room"
    [card_return] = small.status()["cardReturns"]
    assert (card_return["files"], card_return["complete"], card_return["state"]) == (100, True, "held")
    listed = {
        file["digest"]
        for page in ("", "?limit=100")
        for file in small.get(f"/card-returns/{card_return['id']}/files{page}")["items"]
    }
    assert listed == {hashlib.sha256(data).hexdigest() for data in taken.values()}


@small_disk
def test_p29_read_by_hand_makes_room_for_itself(small: Site) -> None:
    small.agent("prepare", small.unit, "--profile", "two-level", "--card", str(small.card))
    films(small.card, 60)
    assert "the card may be wiped by a person" in small.agent("read", str(small.card), "--push")


@small_disk
def test_p29_a_card_pulled_while_it_waits_is_noticed_and_the_next_is_read(
    small: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The link is down: nothing can go ahead."""
    monkeypatch.setattr(room, "LOOK_EVERY", 0.05)
    monkeypatch.setattr(runner.Runner, "_link_turn", lambda self, station, due: self._stop.wait(0.1))
    small.agent("prepare", small.unit, "--profile", "two-level", "--card", str(small.card))
    films(small.card, 60)
    other = small.card.parent / "other"
    with running(small.state) as lines:
        wait_until(lambda: any("paused" in line for line in lines), lines)
        small.card.rename(tmp_path / "out")
        wait_until(lambda: any("was taken out while its reading waited" in line for line in lines), lines)
        with Workstation(small.state) as station:
            [row] = station.outbox.returns.in_state("copied")
            assert not row.complete
            for digest in {file.sha256 for file in station.outbox.files.of(row.id)}:
                # Somebody makes room.
                station.spool.remove(digest)
                station.outbox.originals.distrust([digest])
        small.agent("prepare", small.unit, "--profile", "two-level", "--card", str(_made(tmp_path / "next")))
        put(tmp_path / "next", "01 A/A.JPG", jpeg(1))
        (tmp_path / "next").rename(other)
        wait_until(lambda: any(f"{other}" in line and "copied here" in line for line in lines), lines)


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


@small_disk
def test_p29_a_file_that_the_disk_could_never_hold_is_named_and_the_rest_goes_in(
    bench: Bench, disk: Path
) -> None:
    bench.station.spool.folder.rename(bench.station.spool.folder.with_name("old"))
    bench.station.spool.folder.symlink_to(disk)
    bench.station.spool.prepare()
    (bench.station.state.folder / "agent.toml").write_text(f"spool_free = {MB}\n", "utf-8")
    bench.prepare()
    put(bench.card, "01 G.ID/A.JPG", jpeg(1))
    put(bench.card, "01 G.ID/LONG.MP4", os.urandom(13 * MB))
    return_id = bench.read()
    assert set(bench.files(return_id)) == {"01 G.ID/A.JPG"}
    [unread] = bench.station.outbox.unread.of(return_id)
    assert (unread.path, "more than the disk" in unread.why) == ("01 G.ID/LONG.MP4", True)

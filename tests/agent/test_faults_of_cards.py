"""What cards do to a reader: pulled, bad, short, changing, renamed, shifted, and a disk that is full."""

from __future__ import annotations

import errno
import hashlib
import io
import os
import sys
import threading
import time
import unicodedata
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from agent.cards import copying
from agent.cards.identifying import identify
from agent.cards.reading import close_interrupted, read_card
from agent.cards.stating import Given
from agent.cards.taking import ReadingProgress
from agent.cards.walking import Walk, survey
from agent.errors import AgentError
from agent.outbox import room, spool
from agent.outbox.room import ReadingStopped
from agent.outbox.spool import SpoolError
from agent.running import runner
from agent.settings import State
from tests.agent.station import Bench, jpeg, make_bench, put
from tests.agent.test_commands import agent
from tests.disks import can_mount, memory_disk

posix_names = pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names here are Unicode")
linux = pytest.mark.skipif(sys.platform != "linux", reason="reads /proc/self/fd")


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def unread_of(bench: Bench, return_id: Any) -> dict[str, str]:
    return {one.path: one.why for one in bench.station.outbox.unread.of(return_id)}


def row_of(bench: Bench, return_id: Any) -> Any:
    return bench.station.outbox.returns.find(return_id)


# Sync before anything is called copied


class Calls:
    """The order of syncs and commits of a reading."""

    def __init__(self, patch: pytest.MonkeyPatch, bench: Bench) -> None:
        self.made: list[str] = []
        real_sync, real_replace = os.fsync, Path.replace

        def sync(handle: int) -> None:
            real_sync(handle)
            self.made.append(f"sync {Path(f'/proc/self/fd/{handle}').readlink()}")

        def replace(source: Path, target: Any) -> Path:
            self.made.append(f"rename {target}")
            return real_replace(source, target)

        patch.setattr(os, "fsync", sync)
        patch.setattr(Path, "replace", replace)
        bench.station.outbox.connection.set_trace_callback(
            lambda text: self.made.append(text.split("(")[0].split(" VALUES")[0])
        )


@linux
def test_p02_file_and_folder_are_synced_before_a_row_names_the_file(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    calls = Calls(monkeypatch, bench)
    bench.read()
    bench.station.outbox.connection.set_trace_callback(None)
    target = bench.station.spool.path(sha(jpeg(1)))
    written = next(i for i, call in enumerate(calls.made) if call.startswith("sync") and "incoming" in call)
    renamed = calls.made.index(f"rename {target}")
    folder = calls.made.index(f"sync {target.parent}")
    named = next(i for i, call in enumerate(calls.made) if call.startswith("INSERT INTO files"))
    journal = next(i for i, call in enumerate(calls.made) if i > named and call.endswith(".journal"))
    committed = next(i for i, call in enumerate(calls.made) if i > named and call.startswith("COMMIT"))
    assert written < renamed < folder < named < journal < committed


@linux
@pytest.mark.parametrize("place", ["incoming", "sha256", "returns"])
def test_p02_a_sync_error_is_no_acknowledgement(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    put(bench.card, "B.JPG", jpeg(2))
    real, opened = os.fsync, bench.station.spool.folder / "returns"

    def failing(handle: int) -> None:
        name = str(Path(f"/proc/self/fd/{handle}").readlink())
        if place in name and not (place == "returns" and not any(opened.glob("*"))):
            raise OSError(errno.EIO, "Input/output error")
        real(handle)

    monkeypatch.setattr(os, "fsync", failing)
    with pytest.raises(SpoolError, match="failed") as refusal:
        bench.read()
    assert refusal.value.exit_code == 6
    assert "do not wipe" in refusal.value.text()
    monkeypatch.undo()
    for row in bench.station.outbox.returns.newest():
        assert not row.complete
        assert row.files == 0, "nothing is called copied that was not synced"
    close_interrupted(bench.station.state, bench.station.outbox, bench.station.spool)
    again = bench.read()
    assert set(bench.files(again)) == {"A.JPG", "B.JPG"}
    assert row_of(bench, again).complete


# Pulled, bad, short, changing


def pull_after(patch: pytest.MonkeyPatch, bench: Bench, files: int, out: Path) -> None:
    """The card leaves the slot when so many files were read."""
    real, count = copying.Copier.copy, [0]
    guard = threading.Lock()

    def copy(self: copying.Copier, *arguments: Any) -> Any:
        with guard:
            count[0] += 1
            if count[0] == files + 1:
                bench.card.rename(out)
        return real(self, *arguments)

    patch.setattr(copying.Copier, "copy", copy)


def test_p06_a_pulled_card_is_incomplete_names_each_missing_file_and_finishes_when_put_back(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.prepare()
    names = [f"01 G.ID/F{n:03}.JPG" for n in range(30)] + [f"02 G.RING/F{n:03}.JPG" for n in range(30)]
    for number, name in enumerate(names):
        put(bench.card, name, jpeg(number))
    with monkeypatch.context() as patch:
        pull_after(patch, bench, 10, tmp_path / "out")
        first = bench.read()
    here, missing = set(bench.files(first)), unread_of(bench, first)
    assert not row_of(bench, first).complete
    assert here
    assert set(names) - here <= set(missing), "each file that was listed and not read is named"
    assert not here & set(missing)
    (tmp_path / "out").rename(bench.card)
    copied: list[str] = []
    real = spool.Spool.store

    def store(self: spool.Spool, blocks: Any) -> tuple[str, int]:
        digest, size = real(self, blocks)
        copied.append(digest)
        return digest, size

    monkeypatch.setattr(spool.Spool, "store", store)
    second = bench.read()
    assert row_of(bench, second).complete
    assert set(bench.files(second)) == set(names)
    assert {sha(jpeg(names.index(name))) for name in here}.isdisjoint(copied), "only what lacked is copied"


def test_p06_run_takes_a_pulled_card_again_by_itself(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.card = tmp_path / "slots" / "card"
    bench.card.mkdir(parents=True)
    bench.prepare()
    for number in range(20):
        put(bench.card, f"01 G.ID/F{number:03}.JPG", jpeg(number))
    (bench.station.state.folder / "agent.toml").write_text(f"media_roots = ['{tmp_path}/slots/*']\n", "utf-8")
    taking_cards = runner.Runner(State(bench.station.state.folder), lambda text: None)
    with monkeypatch.context() as patch:
        pull_after(patch, bench, 5, tmp_path / "out")
        taking_cards.once()
    taking_cards.once()
    (tmp_path / "out").rename(bench.card)
    taking_cards.once()
    assert [row.complete for row in bench.station.outbox.returns.newest()] == [1, 0]


@pytest.mark.skipif(sys.platform == "win32", reason="links")
def test_p07_one_unreadable_file_is_named_and_has_its_exit_code(bench: Bench) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    (bench.card / "B.JPG").symlink_to("/dev/full")
    put(bench.card, "C.JPG", jpeg(3))
    said = agent(bench.station.state.folder, "read", str(bench.card), "--no-push", code=4)
    assert "not read: B.JPG" in said
    assert bench.station.outbox.returns.newest()[0].files == 2


def test_p07_a_read_error_is_tried_again_and_the_rest_goes_in(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(5):
        put(bench.card, f"{number}.JPG", jpeg(number))
    real, tries = copying.Copier._once, {b"1.JPG": 0, b"2.JPG": 0}

    def failing(self: copying.Copier, file: io.FileIO, entry: copying.Entry, *more: Any) -> Any:
        if entry.name in tries:
            tries[entry.name] += 1
            if entry.name == b"2.JPG" or tries[entry.name] == 1:
                raise copying.CardFault(OSError(errno.EIO, "Input/output error"))
        return real(self, file, entry, *more)

    monkeypatch.setattr(copying.Copier, "_once", failing)
    monkeypatch.setattr(copying, "PAUSE", 0.01)
    return_id = bench.read()
    assert set(bench.files(return_id)) == {"0.JPG", "1.JPG", "3.JPG", "4.JPG"}
    said = "could not be read: the medium failed to read or write (Input/output error)"
    assert unread_of(bench, return_id) == {"2.JPG": said}
    assert tries[b"2.JPG"] > copying.ATTEMPTS


class Listed:
    """A file of which the file system lists more bytes than it gives."""

    def __init__(self, real: os.stat_result, more: int) -> None:
        self._real, self.st_size = real, real.st_size + more

    def __getattr__(self, name: str) -> Any:
        return getattr(self._real, name)


def test_p08_a_file_that_ends_before_its_listed_size_is_tried_again_and_marked(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = jpeg(1)
    put(bench.card, "SHORT.JPG", data)
    looks, real = [0], os.fstat

    def fstat(handle: int) -> Any:
        looks[0] += 1
        return Listed(real(handle), 100)

    monkeypatch.setattr(copying, "os", SimpleNamespace(fstat=fstat))
    monkeypatch.setattr(copying, "PAUSE", 0.01)
    return_id = bench.read()
    monkeypatch.undo()
    [file] = bench.files(return_id).values()
    assert "short_read" in file.marks
    assert (file.size, file.sha256) == (len(data), sha(data))
    assert unread_of(bench, return_id) == {
        "SHORT.JPG": f"ended after {len(data)} of {len(data) + 100} listed bytes; what came is kept"
    }
    assert looks[0] == 2 * (1 + copying.ATTEMPTS)
    assert not row_of(bench, return_id).complete


def test_p09_a_file_that_changes_while_it_is_read_is_read_again_after_the_others(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = put(bench.card, "0-GROWS.MP4", b"begun")
    for number in range(3):
        put(bench.card, f"{number}.JPG", jpeg(number))
    real, order = copying.Copier._once, list[bytes]()

    def growing(self: copying.Copier, file: io.FileIO, entry: copying.Entry, *more: Any) -> Any:
        result = real(self, file, entry, *more)
        if entry.name == b"0-GROWS.MP4" and b"0-GROWS.MP4" not in order:
            with path.open("ab") as grows:
                grows.write(b", ended")
        order.append(entry.name)
        return result

    monkeypatch.setattr(copying.Copier, "_once", growing)
    return_id = bench.read()
    files = bench.files(return_id)
    assert files["0-GROWS.MP4"].sha256 == sha(b"begun, ended")
    assert files["0-GROWS.MP4"].marks == []
    assert order[-1] == b"0-GROWS.MP4"
    assert order.count(b"0-GROWS.MP4") == 2
    assert row_of(bench, return_id).complete


def test_p09_a_file_that_never_holds_still_is_kept_marked_and_not_called_read(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = put(bench.card, "GROWS.JPG", jpeg(1))
    real = copying.Copier._once

    def growing(self: copying.Copier, *more: Any) -> Any:
        copied = real(self, *more)
        with path.open("ab") as file:
            file.write(b"more")
        return copied

    monkeypatch.setattr(copying.Copier, "_once", growing)
    monkeypatch.setattr(copying, "PAUSE", 0.01)
    return_id = bench.read()
    [file] = bench.files(return_id).values()
    assert "changed_while_read" in file.marks
    assert not row_of(bench, return_id).complete
    assert "changed each time" in unread_of(bench, return_id)["GROWS.JPG"]


# Evidence is not identity


def test_p10_p16_same_name_size_and_time_with_other_bytes_are_both_kept(bench: Bench) -> None:
    one, other = os.urandom(5000), os.urandom(5000)
    path = put(bench.card, "DCIM/100TWVS/TWVS0001.JPG", one)
    os.utime(path, (1e9, 1e9))
    first = bench.read()
    path.write_bytes(other)
    os.utime(path, (1e9, 1e9))
    second = bench.read()
    found = [next(iter(bench.files(one_return).values())) for one_return in (first, second)]
    assert (found[0].path, found[0].size, found[0].modified) == (
        found[1].path, found[1].size, found[1].modified,
    )  # fmt: skip
    assert [file.sha256 for file in found] == [sha(one), sha(other)]
    assert [bench.station.spool.path(file.sha256).read_bytes() for file in found] == [one, other]


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(shift=st.sampled_from([h * s for h in range(1, 15) for s in (1, -1)]), odd=st.integers(0, 1))
def test_p11_p12_p13_shifted_times_and_renumbered_inodes_copy_nothing_again(
    tmp_path_factory: pytest.TempPathFactory, shift: int, odd: int
) -> None:
    """FAT keeps local time in steps of 2 s (Microsoft FAT32 specification, "Date and Time Formats")."""
    bench = make_bench(tmp_path_factory.mktemp("shift"))
    with bench.station:
        data = {f"F{n}.JPG": jpeg(n) for n in range(3)}
        for name, content in data.items():
            os.utime(put(bench.card, name, content), (1_700_000_000, 1_700_000_000))
        first = bench.files(bench.read())
        moved = 1_700_000_000 + shift * 3600 + 2 * odd
        for name, content in data.items():
            # A new file of the same name: another inode number.
            (bench.card / name).rename(bench.card.parent / name)
            os.utime(put(bench.card, name, content), (moved, moved))
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(spool.Spool, "store", lambda *_: pytest.fail("bytes were copied again"))
            second = bench.files(bench.read())
        assert {f.sha256 for f in first.values()} == {f.sha256 for f in second.values()}
        shown = time.strftime("%Y-%m-%dT%H:%M:%S.000", time.localtime(moved))
        assert {f.modified for f in second.values()} == {shown}, "as shown, without a zone"


@posix_names
def test_p14_p15_exact_name_bytes_round_trip(bench: Bench) -> None:
    names = [
        b"A.JPG",
        b"a.jpg",
        "caf\u00e9.JPG".encode(),
        unicodedata.normalize("NFD", "caf\u00e9.JPG").encode(),
        b"latin-\xe9.JPG",
        b"new\nline.JPG",
        b"back\\slash:colon*?<>|.JPG",
        b"trailing. ",
        b"\xff\xfe.JPG",
    ]
    for seed, name in enumerate(names):
        with open(os.fsencode(bench.card) + b"/" + name, "wb") as file:  # noqa: PTH123
            file.write(jpeg(seed))
    return_id = bench.read()
    found = {file.path: file.sha256 for file in bench.station.outbox.files.of(return_id)}
    assert found == {name: sha(jpeg(seed)) for seed, name in enumerate(names)}


# Sizes at the edge


def sparse(path: Path, size: int, tail: bytes) -> None:
    with path.open("wb") as file:
        file.seek(size - len(tail))
        file.write(tail)


LONG = pytest.mark.skipif(
    not os.environ.get("SIGHTLEDGER_TEST_LONG"), reason="SIGHTLEDGER_TEST_LONG is not set"
)


@pytest.mark.parametrize(
    "size",
    [
        0,
        copying.AT_ONCE - 1,
        copying.AT_ONCE + 1,
        40 * 1024 * 1024 + 3,
        pytest.param(2**32 - 1, marks=LONG),
        pytest.param(2**32 + 5, marks=LONG),
    ],
)
def test_p17_a_video_of_any_size_is_kept_as_bytes(bench: Bench, size: int) -> None:
    path = bench.card / "FILM.MP4"
    sparse(path, size, b"end"[: min(size, 3)])
    [file] = bench.files(bench.read()).values()
    with path.open("rb") as source:
        assert file.sha256 == hashlib.file_digest(source, "sha256").hexdigest()
    assert file.size == size
    assert file.marks == (["zero_length"] if size == 0 else [])
    assert bench.station.spool.holds(file.sha256, size)


def test_p18_the_same_card_again_copies_nothing(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    put(bench.card, "LARGE.MP4", os.urandom(copying.AT_ONCE + 5))
    first = bench.read()
    monkeypatch.setattr(spool.Spool, "store", lambda *_: pytest.fail("a second copy was written"))
    second = bench.read()
    assert {f.sha256 for f in bench.files(second).values()} == {f.sha256 for f in bench.files(first).values()}


# A full disk


def start_reading(bench: Bench, progress: ReadingProgress) -> tuple[threading.Thread, list[Any]]:
    """Read in a thread of its own, with an outbox of its own, as `run` does."""
    ended: list[Any] = []

    def read() -> None:
        from agent.workstation import Workstation

        with Workstation(bench.station.state) as station:
            card = identify(station.state, station.cache, station.enrolment, bench.card, Given())
            try:
                found = survey(bench.card)
                ended.append(read_card(station.state, station.outbox, station.spool, card, found, progress))
            except AgentError as error:
                ended.append(error)

    thread = threading.Thread(target=read)
    thread.start()
    return thread, ended


def wait_until(true: Any) -> None:
    until = time.monotonic() + 20
    while not true():
        assert time.monotonic() < until, "it did not come"
        time.sleep(0.02)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "LOOK_EVERY", 0.05)


@pytest.mark.usefixtures("quick")
def test_p29_a_full_disk_pauses_the_reading_and_it_goes_on_by_itself(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(4):
        put(bench.card, f"{number}.JPG", jpeg(number))
    full, said = threading.Event(), list[str]()
    full.set()
    real = os.write

    def write(handle: int, data: Any) -> int:
        if full.is_set() and bytes(data) == jpeg(2):
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(handle, data)

    monkeypatch.setattr(os, "write", write)
    thread, ended = start_reading(bench, ReadingProgress(say=said.append))
    wait_until(lambda: said)
    assert "paused: the disk under" in said[0]
    assert "the card stays in" in said[0]
    [row] = bench.station.outbox.returns.newest()
    assert row.state == "reading", "nothing is acknowledged"
    full.clear()
    thread.join(20)
    assert set(bench.files(ended[0])) == {"0.JPG", "1.JPG", "2.JPG", "3.JPG"}
    assert row_of(bench, ended[0]).complete
    assert "reading goes on" in said[-1]


@pytest.mark.usefixtures("quick")
def test_p29_what_a_receipt_lists_gives_way_first(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    put(bench.card, "OLD.JPG", jpeg(1))
    held = bench.read()
    bench.station.outbox.hold(held, b"{}")
    put(bench.card, "NEW.JPG", jpeg(2))
    free = spool.Spool.free
    old = bench.station.spool.path(sha(jpeg(1)))
    monkeypatch.setattr(spool.Spool, "free", lambda self: 0 if old.exists() else free(self))
    said: list[str] = []
    thread, ended = start_reading(bench, ReadingProgress(say=said.append))
    thread.join(20)
    assert row_of(bench, ended[0]).complete
    assert said == []
    assert not old.exists()


@pytest.mark.usefixtures("quick")
def test_p29_a_paused_reading_can_be_stopped(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    monkeypatch.setattr(spool.Spool, "free", lambda self: 0)
    asked, said = threading.Event(), list[str]()
    thread, ended = start_reading(bench, ReadingProgress(stopping=asked.is_set, say=said.append))
    wait_until(lambda: said)
    asked.set()
    thread.join(20)
    assert isinstance(ended[0], ReadingStopped)
    assert "Do not wipe the card" in ended[0].text()
    [row] = bench.station.outbox.returns.newest()
    assert (row.state, row.complete, row.files) == ("copied", 0, 0)
    assert "A.JPG" in unread_of(bench, row.id)


@pytest.mark.skipif(not can_mount(), reason="a small disk cannot be mounted here")
@pytest.mark.usefixtures("quick")
def test_p29_a_small_disk_fills_and_is_emptied(tmp_path: Path) -> None:
    with memory_disk(tmp_path / "disk", 6) as disk:
        bench = make_bench(disk)
        with bench.station:
            bench.card = tmp_path / "card"
            for number in range(10):
                put(bench.card, f"{number}.MP4", os.urandom(200_000))
            (bench.station.state.folder / "agent.toml").write_text("spool_free = 1000000\n", "utf-8")
            ballast = disk / "ballast"
            ballast.write_bytes(bytes(4_000_000))
            said: list[str] = []
            thread, ended = start_reading(bench, ReadingProgress(say=said.append))
            wait_until(lambda: said)
            ballast.unlink()
            thread.join(20)
            assert len(bench.files(ended[0])) == 10
            assert row_of(bench, ended[0]).complete


def test_p30_names_of_a_listing_are_bounded(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(20):
        put(bench.card, f"{number:02}.TXT", b"%d" % number)
    monkeypatch.setattr("agent.cards.walking.MOST_NAMES", 15)
    found = survey(bench.card)
    assert (found.files, len(found.names)) == (20, 15)
    monkeypatch.setattr(Walk, "__iter__", lambda self: iter(()))
    station = bench.station
    card = identify(station.state, station.cache, station.enrolment, bench.card, Given())
    return_id = read_card(station.state, station.outbox, station.spool, card, found, ReadingProgress())
    unread = unread_of(bench, return_id)
    assert set(unread) == {f"{number:02}.TXT" for number in range(15)} | {"."}
    assert unread["."].startswith("5 more files")


def test_what_a_desktop_left_on_a_prepared_card_does_not_stop_its_next_preparation(bench: Bench) -> None:
    bench.prepare()
    put(bench.card, ".DS_Store", b"\0\0\0\1Bud1")
    put(bench.card, "01 G.ID/.DS_Store", b"\0\0\0\1Bud1")
    bench.prepare()
    assert bench.files(bench.read()) == {}

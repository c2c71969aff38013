"""Which card was read, and whether that was all of it: nothing else may ever be called clear to wipe (I1,
I6)."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.cards import walking
from agent.running.runner import Runner
from agent.settings import State
from tests.agent.station import Bench, jpeg, put
from tests.agent.test_commands import agent

linux = pytest.mark.skipif(sys.platform != "linux", reason="mounts a small disk")
DAY = 1_700_000_000
CLEARED = "may be wiped"


def stamped(path: Path) -> Path:
    """With the time of a scope whose clock stands still."""
    os.utime(path, (DAY, DAY))
    return path


@pytest.fixture
def slot(bench: Bench, tmp_path: Path) -> Path:
    """The one place where cards appear for `run`."""
    place = tmp_path / "slots" / "card"
    place.parent.mkdir()
    (bench.station.state.folder / "agent.toml").write_text(
        f"media_roots = ['{tmp_path}/slots/*']\ntake_unmarked = true\n", "utf-8"
    )
    return place


@pytest.fixture
def run(bench: Bench) -> tuple[Runner, list[str]]:
    lines: list[str] = []
    return Runner(State(bench.station.state.folder), lines.append), lines


def digests_read(bench: Bench) -> set[str]:
    return {
        file.sha256 for row in bench.station.outbox.returns.newest() for file in bench.files(row.id).values()
    }


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def hold_all(bench: Bench) -> None:
    for row in bench.station.outbox.returns.in_state("copied"):
        bench.station.outbox.hold(row.id, b"{}")


def status(bench: Bench) -> str:
    return agent(bench.station.state.folder, "status")


# Another card is another card


def test_i1_a_second_card_with_the_same_listing_is_read(
    bench: Bench, slot: Path, tmp_path: Path, run: tuple[Runner, list[str]]
) -> None:
    """Fixed-size pictures and a dead clock: names, sizes and times are those of the card before."""
    first, second = tmp_path / "first", tmp_path / "second"
    pictures = {name: (os.urandom(5000), os.urandom(5000)) for name in ("P1.JPG", "P2.JPG")}
    for name, (one, other) in pictures.items():
        stamped(put(first, f"DCIM/{name}", one))
        stamped(put(second, f"DCIM/{name}", other))
    for card in (first, second):
        card.rename(slot)
        run[0].once()
        slot.rename(card)
        run[0].once()
    assert digests_read(bench) == {sha(data) for both in pictures.values() for data in both}


def test_i1_a_second_card_put_in_at_once_is_read(
    bench: Bench, slot: Path, tmp_path: Path, run: tuple[Runner, list[str]]
) -> None:
    """Nobody saw the slot empty in between."""
    first, second = tmp_path / "first", tmp_path / "second"
    stamped(put(first, "P1.JPG", b"1" * 5000))
    stamped(put(second, "P1.JPG", b"2" * 5000))
    first.rename(slot)
    run[0].once()
    slot.rename(first)
    second.rename(slot)
    run[0].once()
    assert digests_read(bench) == {sha(b"1" * 5000), sha(b"2" * 5000)}


def test_i1_a_picture_replaced_under_the_same_name_size_and_time_is_read(
    bench: Bench, slot: Path, run: tuple[Runner, list[str]]
) -> None:
    slot.mkdir()
    bench.prepare(card=slot)
    stamped(put(slot, "01 G.ID/A.JPG", b"1" * 5000))
    run[0].once()
    stamped(put(slot, "01 G.ID/A.JPG", b"2" * 5000))
    run[0].once()
    assert digests_read(bench) == {sha(b"1" * 5000), sha(b"2" * 5000)}


def test_i1_a_card_that_was_out_is_read_again(
    bench: Bench, slot: Path, tmp_path: Path, run: tuple[Runner, list[str]]
) -> None:
    slot.mkdir()
    bench.prepare(card=slot)
    put(slot, "01 G.ID/A.JPG", jpeg(1))
    for _ in range(2):
        run[0].once()
        run[0].once()
        slot.rename(tmp_path / "out")
        run[0].once()
        (tmp_path / "out").rename(slot)
    assert len(bench.station.outbox.returns.newest()) == 2, "once for each time it was put in"


@linux
def test_i1_a_card_mounted_anew_at_the_same_place_is_read(
    bench: Bench, slot: Path, tmp_path: Path, run: tuple[Runner, list[str]]
) -> None:
    """Two images of one volume number, one after the other in one slot, which nobody saw empty."""
    if os.geteuid() or shutil.which("mkfs.ext4") is None:
        pytest.skip("needs root and mkfs.ext4: two cards are mounted")
    slot.mkdir()
    images = [tmp_path / "one.img", tmp_path / "two.img"]
    try:
        for number, image in enumerate(images):
            volume = "12345678-0000-4000-8000-123456789abc"
            subprocess.run(["mkfs.ext4", "-q", "-U", volume, str(image), "2M"], check=True)
            mounted = subprocess.run(["mount", "-o", "loop", str(image), str(slot)], capture_output=True)
            if mounted.returncode:
                pytest.skip("this machine mounts no image")
            stamped(put(slot, "P1.JPG", bytes([number]) * 5000))
            run[0].once()
            subprocess.run(["umount", str(slot)], check=True)
    finally:
        subprocess.run(["umount", "-lq", str(slot)], check=False)
    assert digests_read(bench) == {sha(bytes([number]) * 5000) for number in range(2)}


# Nothing is passed over in silence


@pytest.mark.parametrize(
    "folder",
    [
        "lost+found", "$RECYCLE.BIN/S-1-5-21", ".Trashes/501", ".Trash-1000/files", "FOUND.000",
        "System Volume Information", "RECOVERY", ".Spotlight-V100", ".fseventsd", "LOST.DIR",
    ],
)  # fmt: skip
def test_i7_pictures_in_folders_of_systems_and_repairs_are_read(bench: Bench, folder: str) -> None:
    bench.prepare()
    put(bench.card, f"{folder}/DSC00001.JPG", jpeg(1))
    put(bench.card, f"{folder}/recovered", jpeg(2))
    return_id = bench.read()
    row = bench.station.outbox.returns.shown(return_id)
    aside = {name for name in (f"{folder}/recovered",) if name in row.aside}
    assert set(bench.files(return_id)) | aside == {f"{folder}/DSC00001.JPG", f"{folder}/recovered"}
    assert row.complete


@linux
def test_i6_a_name_on_a_card_feigns_no_line_of_run(
    bench: Bench, slot: Path, run: tuple[Runner, list[str]]
) -> None:
    put(slot, "A.JPG", jpeg(1))
    (slot / f"x\nheld centrally, {CLEARED}").symlink_to("A.JPG")
    runner, lines = run
    runner.once()
    [named] = [line for line in lines if "not read: x" in line]
    assert "\n" not in named
    assert "x\\u{000A}held centrally" in named


def test_i7_what_is_left_aside_is_a_short_list_and_is_shown(bench: Bench) -> None:
    bench.prepare()
    junk = [
        "System Volume Information/WPSettings.dat", "System Volume Information/IndexerVolumeGuid",
        ".Spotlight-V100/VolumeConfiguration.plist", ".fseventsd/fseventsd-uuid",
        ".DS_Store", "01 G.ID/.DS_Store",
    ]  # fmt: skip
    for name in junk:
        put(bench.card, name, b"\0\1")
    put(bench.card, "01 G.ID/._A.JPG", walking.APPLE_DOUBLE + b"\0\2\0\0")
    put(bench.card, "01 G.ID/._B.JPG", jpeg(1))
    shown = agent(bench.station.state.folder, "read", str(bench.card), "--no-push")
    [row] = bench.station.outbox.returns.newest()
    assert set(bench.files(row.id)) == {"01 G.ID/._B.JPG"}, "a picture, whatever its name begins with"
    assert row.complete
    for name in [*junk, "01 G.ID/._A.JPG"]:
        assert f"left aside, a file of an operating system: {name}" in shown


# The whole card, or nothing is cleared


def test_i6_an_empty_or_unmounted_place_is_no_card(bench: Bench) -> None:
    shown = agent(bench.station.state.folder, "read", str(bench.card), "--no-push", code=3)
    assert "There is nothing at" in shown
    assert bench.station.outbox.returns.newest() == []
    assert CLEARED not in status(bench)


def test_i6_a_folder_of_a_prepared_card_is_refused(bench: Bench) -> None:
    bench.prepare()
    put(bench.card, "01 G.ID/A.JPG", jpeg(1))
    shown = agent(bench.station.state.folder, "read", str(bench.card / "01 G.ID"), "--no-push", code=3)
    assert f"which begins at {bench.card}" in shown
    assert bench.station.outbox.returns.newest() == []


def test_i6_a_card_without_a_marker_is_cleared_only_after_a_person_confirmed_it(bench: Bench) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    return_id = bench.read()
    hold_all(bench)
    assert CLEARED not in status(bench)
    assert "nobody has confirmed" in status(bench)
    refused = agent(bench.station.state.folder, "confirm", str(return_id), "--person", "A. Stranger", code=3)
    assert "none of the people of this site" in refused
    assert "Do not wipe the card" in refused
    assert CLEARED not in status(bench)
    agent(bench.station.state.folder, "confirm", str(return_id), "--person", "A. Person")
    assert CLEARED in status(bench)


def test_i6_who_reads_a_card_may_confirm_it_at_once_by_name(bench: Bench) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    folder = bench.station.state.folder
    shown = agent(folder, "read", str(bench.card), "--no-push", "--whole-card", code=3)
    assert "Give --person: A. Person, B. Other" in shown
    agent(folder, "read", str(bench.card), "--no-push", "--whole-card", "--person", "A. Person")
    hold_all(bench)
    assert CLEARED in status(bench)


def test_i6_a_folder_of_a_medium_is_never_cleared(bench: Bench, slot: Path) -> None:
    put(slot, "DCIM/100/A.JPG", jpeg(1))
    folder = bench.station.state.folder
    agent(folder, "read", str(slot / "DCIM"), "--no-push")
    hold_all(bench)
    assert CLEARED not in status(bench)
    return_id = str(bench.station.outbox.returns.newest()[0].id)
    shown = agent(folder, "confirm", return_id, "--person", "A. Person", code=3)
    assert f"folder of the medium at {slot}" in shown
    again = ["read", str(slot / "DCIM"), "--no-push", "--whole-card", "--person", "A. Person"]
    agent(folder, *again, code=3)


def test_i6_a_prepared_card_of_which_a_part_is_gone_is_not_cleared(bench: Bench) -> None:
    bench.prepare()
    put(bench.card, "01 G.ID/A.JPG", jpeg(1))
    shutil.rmtree(bench.card / "02 G.RING")
    return_id = bench.read()
    hold_all(bench)
    assert CLEARED not in status(bench)
    assert "02 G.RING" in status(bench)
    agent(bench.station.state.folder, "confirm", str(return_id), "--person", "A. Person")
    assert CLEARED in status(bench)


def test_i6_a_card_taken_out_between_its_marker_and_its_listing_is_not_cleared(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The place is there, and empty, when the listing is made: an unmounted card."""
    from tests.agent import station

    bench.prepare()
    put(bench.card, "01 G.ID/A.JPG", jpeg(1))
    real = station.identify

    def pulled(*arguments: object) -> object:
        card = real(*arguments)  # type: ignore[arg-type]
        bench.card.rename(tmp_path / "out")
        bench.card.mkdir()
        return card

    monkeypatch.setattr(station, "identify", pulled)
    bench.read()
    hold_all(bench)
    assert CLEARED not in status(bench)


def test_i6_a_confirmation_survives_the_loss_of_the_outbox(bench: Bench) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    return_id = bench.read()
    bench.station.outbox.returns.confirm(return_id, "A. Person")
    bench.station.outbox.connection.close()
    for path in bench.station.state.folder.glob("outbox.sqlite3*"):
        path.unlink()
    agent(bench.station.state.folder, "rebuild")
    from agent.workstation import Workstation

    with Workstation(State(bench.station.state.folder)) as again:
        row = again.outbox.returns.shown(return_id)
    assert (row.state, row.confirmed_by) == ("copied", "A. Person")


# A card can be released, however many files it has


def test_i6_a_prepared_card_of_more_files_than_are_named_can_be_released(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The names of the preparation's own files lie beyond the names that are kept of a listing."""
    monkeypatch.setattr(walking, "MOST_NAMES", 20)
    bench.prepare()
    for number in range(25):
        put(bench.card, f"01 G.ID/A{number:03}.JPG", b"%d" % number)
    return_id = bench.read()
    assert bench.station.outbox.returns.shown(return_id).complete
    assert bench.station.outbox.unread.of(return_id) == []
    hold_all(bench)
    assert CLEARED in status(bench)


# One bad card or file never holds up another


@pytest.fixture
def cleared_away(tmp_path: Path) -> Iterator[None]:
    """Python's own removal of folders goes down by recursion."""
    yield
    for card in (tmp_path / "card", tmp_path / "slots" / "card"):
        subprocess.run(["rm", "-rf", str(card / "d")], check=True)


def deep(root: Path, levels: int) -> None:
    """A picture under so many folders."""
    here = os.open(root, os.O_RDONLY)
    for _ in range(levels):
        os.mkdir("d", dir_fd=here)
        below = os.open("d", os.O_RDONLY, dir_fd=here)
        os.close(here)
        here = below
    handle = os.open("A.JPG", os.O_CREAT | os.O_WRONLY, dir_fd=here)
    os.write(handle, jpeg(3))
    os.close(handle)
    os.close(here)


@pytest.mark.usefixtures("cleared_away")
@pytest.mark.parametrize("levels", [500, 1500])
def test_a_tree_of_many_levels_is_read_and_the_card_after_it_too(
    bench: Bench, slot: Path, run: tuple[Runner, list[str]], levels: int
) -> None:
    slot.mkdir()
    bench.prepare(card=slot)
    deep(slot, levels)
    put(slot.parent / "later", "B.JPG", jpeg(4))
    run[0].once()
    assert digests_read(bench) == {sha(jpeg(3)), sha(jpeg(4))}


@pytest.mark.usefixtures("cleared_away")
def test_i7_a_path_longer_than_the_system_takes_is_named(bench: Bench) -> None:
    bench.prepare()
    deep(bench.card, 2500)
    return_id = bench.read()
    assert not bench.station.outbox.returns.shown(return_id).complete
    [unread] = bench.station.outbox.unread.of(return_id)
    assert "name too long" in unread.why


@pytest.mark.parametrize("error", [RuntimeError("odd"), MemoryError(), RecursionError(), KeyError("x")])
def test_whatever_a_card_raises_the_next_is_taken_and_the_trouble_told_once(
    bench: Bench, slot: Path, run: tuple[Runner, list[str]], monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    from agent.cards import reading

    put(slot, "A.JPG", jpeg(1))
    put(slot.parent / "later", "B.JPG", jpeg(2))
    real = reading.Taker.begin

    def begin(self: reading.Taker, *arguments: object) -> None:
        if self.card.root == slot:
            raise error
        real(self, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(reading.Taker, "begin", begin)
    troubles = [trouble.detail for _ in range(3) for trouble in run[0].once() if str(slot) in trouble.detail]
    assert digests_read(bench) == {sha(jpeg(2))}
    assert len(troubles) == 1


def test_whatever_a_file_raises_the_others_are_read_and_it_is_named(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    from agent.cards import copying

    bench.prepare()
    for name in ("A.JPG", "B.JPG", "C.JPG"):
        put(bench.card, f"01 G.ID/{name}", name.encode())
    real = copying.Copier._once

    def odd(self: copying.Copier, file: object, entry: copying.Entry, *more: object) -> object:
        if entry.name.endswith(b"B.JPG"):
            raise RecursionError
        return real(self, file, entry, *more)  # type: ignore[arg-type]

    monkeypatch.setattr(copying.Copier, "_once", odd)
    return_id = bench.read()
    assert set(bench.files(return_id)) == {"01 G.ID/A.JPG", "01 G.ID/C.JPG"}
    assert {file.path for file in bench.station.outbox.unread.of(return_id)} == {"01 G.ID/B.JPG"}

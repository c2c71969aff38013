"""Reading a card that came back: every byte, exact names, marks, and nothing twice."""

from __future__ import annotations

import hashlib
import io
import os
import sys
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from agent.cards import copying
from agent.cards.identifying import identify
from agent.cards.marker import MARKER_NAME
from agent.cards.reading import close_interrupted, read_card
from agent.cards.stating import Given
from agent.cards.taking import ReadingProgress
from agent.cards.walking import survey
from agent.clock import now
from agent.errors import AgentError
from agent.outbox.card_return import Cut
from agent.outbox.outbox import Outbox
from service.contract.cards import ManifestPart, exact_path, manifest_digest
from service.contract.wire import new_id
from tests.agent.station import Bench, jpeg, make_bench, put

posix_names = pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names here are Unicode")


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def test_i1_a_file_is_its_digest_and_lies_in_the_spool(bench: Bench) -> None:
    bench.prepare()
    data = jpeg(1)
    put(bench.card, "02 G.RING/TWVS0001.JPG", data)
    return_id = bench.read()
    [file] = bench.files(return_id).values()
    assert (file.sha256, file.size, file.kind, file.marks) == (sha(data), len(data), "still", [])
    assert bench.station.spool.path(file.sha256).read_bytes() == data
    assert file.placement is not None
    assert (file.placement.location_key, file.placement.rule) == ("G.RING", "folder")
    assert file.picture is not None
    assert (file.picture.format, file.picture.exif["Make"]) == ("JPEG", "Invented Works")


def test_i2_reading_changes_nothing_on_the_card(bench: Bench) -> None:
    bench.prepare()
    put(bench.card, "01 G.ID/A.JPG", jpeg(1))
    before = survey(bench.card)
    bench.read()
    assert survey(bench.card) == before


def test_own_files_are_not_read_but_a_changed_one_is(bench: Bench) -> None:
    bench.prepare()
    with (bench.card / "SIGHTLEDGER-JOB.txt").open("ab") as file:
        file.write(b"typed at the scope")
    assert set(bench.files(bench.read())) == {"SIGHTLEDGER-JOB.txt"}


def test_a_damaged_marker_is_kept_like_any_file(bench: Bench) -> None:
    put(bench.card, MARKER_NAME, b"{half a mark")
    put(bench.card, "A.JPG", jpeg(1))
    files = bench.files(bench.read())
    assert set(files) == {MARKER_NAME, "A.JPG"}
    assert files["A.JPG"].placement is None


def test_the_whole_card_is_read_not_only_dcim(bench: Bench) -> None:
    put(bench.card, "DCIM/100TWVS/TWVS0001.JPG", jpeg(1))
    put(bench.card, "JOBS/odd/deep/down/B.BMP", jpeg(2))
    put(bench.card, "FOUND.000/FILE0000.CHK", b"recovered")
    put(bench.card, "System Volume Information/x", b"1")
    return_id = bench.read()
    assert set(bench.files(return_id)) == {
        "DCIM/100TWVS/TWVS0001.JPG",
        "JOBS/odd/deep/down/B.BMP",
        "FOUND.000/FILE0000.CHK",
        "System Volume Information/x",
    }
    row = bench.station.outbox.returns.find(return_id)
    assert row is not None
    assert (row.complete, row.state) == (1, "copied")


def png(size: int = 40) -> bytes:
    out = io.BytesIO()
    Image.new("L", (size, size), 7).save(out, "PNG")
    return out.getvalue()


MARKED = [
    ("EMPTY.JPG", b"", ["zero_length"]),
    ("EMPTY.MP4", b"", ["zero_length"]),
    ("CUT.JPG", jpeg(1)[:-300], ["truncated"]),
    ("HEAD.JPG", jpeg(1)[:20], ["truncated"]),
    # A camera switched off in mid write: the tail reads as zeroes (exFAT specification 7.6.5).
    ("ZEROES.JPG", jpeg(1)[:-300] + bytes(300), ["truncated"]),
    ("TEXT.JPG", b"this is no picture", ["not_an_image"]),
    ("CUT.PNG", png()[:-20], ["truncated"]),
    ("WHOLE.PNG", png(), []),
    ("WHOLE.JPG", jpeg(1), []),
    ("TRAILER.JPG", jpeg(2) + b"scope's own data" * 9000, []),
    ("NOTE.TXT", b"typed", []),
    ("FILM.MP4", b"not looked into", []),
]


@pytest.mark.parametrize(("name", "data", "marks"), MARKED)
def test_what_is_odd_is_marked_and_kept_as_bytes(
    bench: Bench, name: str, data: bytes, marks: list[str]
) -> None:
    put(bench.card, name, data)
    [file] = bench.files(bench.read()).values()
    assert file.marks == marks
    assert bench.station.spool.path(sha(data)).read_bytes() == data


def test_held_bytes_need_no_copy_even_when_the_spool_let_them_go(bench: Bench) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    first = bench.read()
    bench.station.outbox.hold(first, b"{}")
    bench.station.spool.remove(sha(jpeg(1)))
    bench.read()
    assert not bench.station.spool.path(sha(jpeg(1))).exists()


def test_bytes_neither_held_nor_spooled_are_copied_again(bench: Bench) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    bench.read()
    bench.station.spool.remove(sha(jpeg(1)))
    bench.read()
    assert bench.station.spool.path(sha(jpeg(1))).read_bytes() == jpeg(1)


def test_large_files_of_a_known_size_but_other_bytes_are_copied(bench: Bench) -> None:
    one, other = (os.urandom(copying.AT_ONCE + 1) for _ in range(2))
    put(bench.card, "A.MP4", one)
    bench.read()
    put(bench.card, "A.MP4", other)
    [file] = bench.files(bench.read()).values()
    assert bench.station.spool.path(file.sha256).read_bytes() == other


@posix_names
def test_a_link_is_not_followed_but_named(bench: Bench, tmp_path: Path) -> None:
    put(tmp_path, "outside/secret.txt", b"not of the card")
    (bench.card / "in.txt").symlink_to(tmp_path / "outside/secret.txt")
    (bench.card / "folder").symlink_to(tmp_path / "outside")
    return_id = bench.read()
    assert bench.files(return_id) == {}
    assert {unread.path for unread in bench.station.outbox.unread.of(return_id)} == {"in.txt", "folder"}


def test_a_read_that_was_killed_is_closed_as_not_complete_and_read_again(bench: Bench) -> None:
    """What a power cut leaves: bytes in the spool and a return that nobody reads any more."""
    put(bench.card, "A.JPG", jpeg(1))
    station = bench.station
    card = identify(station.state, station.cache, station.enrolment, bench.card, Given())
    killed = new_id()
    station.outbox.returns.open(killed, card.opening(station.report().clock), None, str(bench.card))
    station.spool.store([jpeg(1)])
    (station.state.spool / "incoming" / "half").write_bytes(b"ha")
    assert close_interrupted(station.state, station.outbox, station.spool) == [killed]
    row = station.outbox.returns.find(killed)
    assert row is not None
    assert (row.state, row.complete) == ("copied", 0)
    again = bench.read()
    assert set(bench.files(again)) == {"A.JPG"}
    assert close_interrupted(station.state, station.outbox, station.spool) == []


def test_card_of_another_site_is_refused_or_kept_without_a_place(bench: Bench, tmp_path: Path) -> None:
    bench.prepare()
    put(bench.card, "01 G.ID/A.JPG", jpeg(1))
    marker = bench.card / MARKER_NAME
    marker.write_bytes(marker.read_bytes().replace(b'"TEST"', b'"ELSE"'))
    with pytest.raises(AgentError, match="site ELSE") as refusal:
        bench.read()
    assert "Nothing was read" in refusal.value.text()
    files = bench.files(bench.read(keep_unplaced=True))
    assert files["01 G.ID/A.JPG"].placement is None
    assert MARKER_NAME in files


def test_without_a_marker_the_unit_is_picked(bench: Bench) -> None:
    put(bench.card, "02 G.RING/A.JPG", jpeg(1))
    put(bench.card, "B.JPG", jpeg(2))
    files = bench.files(bench.read(unit="u-100", profile="two-level"))
    places = {path: file.placement and file.placement.location_key for path, file in files.items()}
    assert places == {"02 G.RING/A.JPG": "G.RING", "B.JPG": None}


def test_a_marked_card_is_of_its_unit_and_no_other_i12(bench: Bench) -> None:
    bench.prepare()
    with pytest.raises(AgentError, match="prepared for unit U-100"):
        bench.read(unit="U-200")


@pytest.mark.parametrize(("count", "placed"), [(4, True), (3, False), (5, False)])
def test_a_flat_card_is_placed_by_order_only_when_the_count_fits(
    bench: Bench, count: int, placed: bool
) -> None:
    bench.prepare("flat-dcf")
    for number in range(1, count + 1):
        put(bench.card, f"DCIM/100TWVS/TWVS{number:04}.JPG", jpeg(number))
    files = bench.files(bench.read())
    claims = [files[path].placement for path in sorted(files)]
    keys = [claim.location_key for claim in claims if claim]
    assert keys == (["G.ID", "G.RING", "G.RING", "G.RING"] if placed else [None] * count)
    if placed:
        assert {(c.rule, c.confidence) for c in claims if c} == {("order", 0.3)}


@given(st.integers(0, 3000), st.integers(1, 600), st.integers(0, 100))
def test_every_file_is_in_one_part_and_the_first_and_last_are_short(
    total: int, files: int, short: int
) -> None:
    ends = Cut(files, short).ends(total)
    sizes = [end - before for before, end in pairwise([0, *ends])]
    assert sum(sizes) == total
    assert all(0 < size <= max(files, short) for size in sizes)
    if short and total > 2 * short:
        assert (sizes[0], sizes[-1]) == (short, short)
        assert len(sizes) <= 2 + -(-(total - 2 * short) // files)
    if not short:
        assert set(sizes[:-1]) <= {files}


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(0, 30), st.binary(max_size=40)), max_size=30))
def test_manifest_parts_joined_are_the_files(
    tmp_path_factory: pytest.TempPathFactory, files: list[tuple[int, bytes]]
) -> None:
    folder = tmp_path_factory.mktemp("manifest")
    bench = make_bench(folder)
    with bench.station, pytest.MonkeyPatch.context() as patch:
        patch.setattr("agent.outbox.returns.CUT", Cut(7, 2))
        bench.prepare()
        expected = {}
        for number, data in files:
            put(bench.card, f"F{number}.BIN", data)
            expected[f"F{number}.BIN"] = data
        return_id = bench.read()
        outbox = bench.station.outbox
        bodies = [outbox.parts.body(return_id, part) for part in range(1, outbox.parts.count(return_id) + 1)]
        assert bodies == [
            outbox.parts.body(return_id, part) for part in range(1, outbox.parts.count(return_id) + 1)
        ]
        joined = [file for body in bodies for file in decode(body).files]
    assert {file.path: file.sha256 for file in joined} == {path: sha(data) for path, data in expected.items()}
    lines = [(exact_path(file.path, file.path_bytes), file.sha256, file.size) for file in joined]
    row_digest = manifest_digest(lines)
    with make_again(folder) as again:
        row = again.returns.find(return_id)
        assert row is not None
        assert row.manifest_sha256 == row_digest


def decode(body: bytes) -> ManifestPart:
    import msgspec

    return msgspec.json.decode(body, type=ManifestPart)


class make_again:
    """The outbox opened anew, as after a restart."""

    def __init__(self, folder: Path) -> None:
        self._outbox = Outbox.at(folder / "state" / "outbox.sqlite3")

    def __enter__(self) -> Outbox:
        return self._outbox

    def __exit__(self, *_: object) -> None:
        self._outbox.close()


def test_spooled_bytes_stay_until_a_receipt_lists_them(bench: Bench) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    return_id = bench.read()
    assert list(bench.station.outbox.originals.prunable(None)) == []
    bench.station.outbox.hold(return_id, b"{}")
    assert list(bench.station.outbox.originals.prunable(now() - timedelta(days=7))) == []
    assert list(bench.station.outbox.originals.prunable(None)) == [sha(jpeg(1))]


def test_progress_counts_every_byte(bench: Bench) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    station, found, progress = bench.station, survey(bench.card), ReadingProgress()
    card = identify(station.state, station.cache, station.enrolment, bench.card, Given())
    read_card(station.state, station.outbox, station.spool, card, found, progress)
    assert (progress.files, progress.size) == (found.files, found.size)

"""What bytes are does not depend on the name they come under, nor on the name they came under first."""

from __future__ import annotations

import io
import tempfile
from functools import cache
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from agent.pictures import Facts, judge
from agent.workstation import Workstation
from service.contract.cards import ManifestFile
from service.contract.pictures import SIGNATURES
from tests.agent.station import jpeg, make_bench, put
from tests.agent.test_reading import sha
from tests.agent.test_rebuilding import lose

NO_PICTURE_NAMES = ("A.BAK", "A.TXT", "A.MOV")


def _encoded(format_name: str) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (20, 12), (9, 80, 7)).save(out, format_name)
    return out.getvalue()


BYTES = {
    "whole": jpeg(1, b"a comment"),
    "cut": jpeg(2)[:-300],
    "empty": b"",
    "text": b"BM is how this text begins",
    "png": _encoded("PNG"),
}


def _told(file: ManifestFile) -> tuple[object, ...]:
    """What a manifest says of the bytes, and of the file apart from its path and time."""
    return (file.kind, sorted(file.marks), file.picture)


@cache
def _alone(name: str, data: str) -> tuple[object, ...]:
    """What a new workstation says of these bytes under this name."""
    with tempfile.TemporaryDirectory() as folder, (bench := make_bench(Path(folder))).station:
        put(bench.card, name, BYTES[data])
        [file] = bench.files(bench.read()).values()
        return _told(file)


@settings(max_examples=10, deadline=None)
@given(
    names=st.lists(st.sampled_from([*NO_PICTURE_NAMES, "A.JPG"]), min_size=2, max_size=4, unique=True),
    data=st.sampled_from(sorted(BYTES)),
)
def test_i1_i3_facts_of_bytes_do_not_depend_on_the_name_they_were_first_seen_under(
    names: list[str], data: str
) -> None:
    """Each name on a card of its own, in any order: the same as if each had come to a new workstation."""
    with tempfile.TemporaryDirectory() as folder, (bench := make_bench(Path(folder))).station:
        for name in names:
            card = Path(folder) / f"card {name}"
            put(card, name, BYTES[data])
            [file] = bench.files(bench.read(card)).values()
            assert _told(file) == _alone(name, data)


@pytest.mark.parametrize("first", NO_PICTURE_NAMES)
def test_i1_a_picture_first_seen_as_no_picture_is_one_when_it_comes_as_one(
    tmp_path: Path, first: str
) -> None:
    with (bench := make_bench(tmp_path)).station:
        put(bench.card, first, BYTES["whole"])
        put(tmp_path / "second", "B.JPG", BYTES["whole"])
        [before] = bench.files(bench.read()).values()
        [picture] = bench.files(bench.read(tmp_path / "second")).values()
    assert picture.sha256 == before.sha256 == sha(BYTES["whole"])
    assert (picture.kind, picture.marks) == ("still", [])
    assert picture.picture is not None
    assert (picture.picture.format, picture.picture.width) == ("JPEG", 48)
    assert picture.picture.exif["Make"] == "Invented Works"
    assert before.picture == picture.picture, "what the bytes are is told under every name"


def test_i1_that_a_still_is_no_picture_is_a_mark_of_the_file_not_of_its_bytes(tmp_path: Path) -> None:
    with (bench := make_bench(tmp_path)).station:
        put(bench.card, "A.JPG", b"typed at the scope")
        put(tmp_path / "second", "A.TXT", b"typed at the scope")
        [still] = bench.files(bench.read()).values()
        [note] = bench.files(bench.read(tmp_path / "second")).values()
    assert (still.kind, still.marks) == ("still", ["not_an_image"])
    assert (note.kind, note.marks) == ("side", [])


def test_p05_a_rebuilt_outbox_takes_no_mark_of_a_file_for_one_of_its_bytes(tmp_path: Path) -> None:
    with (bench := make_bench(tmp_path)).station as station:
        put(bench.card, "A.JPG", b"typed at the scope")
        put(bench.card, "B.JPG", jpeg(3)[:-300])
        bench.read()
        state = station.state
    lose(state.database)
    with Workstation(state) as back:
        rows = back.outbox.connection.execute("SELECT sha256, facts FROM originals").fetchall()
    marks = {row["sha256"]: msgspec.json.decode(row["facts"], type=Facts).marks for row in rows}
    assert marks == {sha(b"typed at the scope"): [], sha(jpeg(3)[:-300]): ["truncated"]}


@pytest.mark.parametrize("format_name", sorted({name for _, name in SIGNATURES}))
def test_what_pillow_writes_is_known_by_its_first_bytes(format_name: str) -> None:
    data = _encoded(format_name)
    facts = judge(len(data), io.BytesIO(data))
    assert facts.picture is not None
    assert (facts.picture.format, facts.picture.width, facts.marks) == (format_name, 20, [])


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=400), st.sampled_from(["", *(name for _, name in SIGNATURES)]))
def test_any_bytes_are_judged_and_never_by_an_error(tail: bytes, announced: str) -> None:
    begin = next((begin for begin, name in SIGNATURES if name == announced), b"")
    facts = judge(len(begin + tail), io.BytesIO(begin + tail))
    assert facts.picture is None or announced

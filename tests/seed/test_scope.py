"""A scope fills a card: DCF names, its own clock, files as told, and the odd ones."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import exifread
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from seed import scope as seed_scope
from seed.scenario import load_scenario
from seed.scope import ScopeClock, Seen, Take, Videoscope, dcf_name, takes_for

# CIPA DC-009 (DCF): four free characters of A-Z 0-9 _, then 0001 to 9999, then the extension.
DCF = re.compile(r"^[A-Z0-9_]{4}(?!0000)[0-9]{4}\.[A-Z0-9]{3}$")

CLOCK = ScopeClock(
    start=datetime(2026, 9, 15, 8, 0, tzinfo=UTC), zone=ZoneInfo("Europe/Madrid"), error=timedelta(hours=1)
)
TAKES = [
    Take("03-ring", "gear", "KG.1.RING", 1),
    Take("03-ring", "gear", "KG.1.RING", 4, "gear_damage_2022:macropitting", "watch"),
    Take("01-plate", "clock", "KG.GEN.ID"),
]


@pytest.fixture
def card(tmp_path: Path) -> Path:
    for folder in ("03-ring", "01-plate"):
        (tmp_path / folder).mkdir()
    return tmp_path


def test_scope_writes_each_picture_where_told_and_says_what_it_wrote(card: Path) -> None:
    taken = Videoscope("VS-02").take_all(card, "KG30409-Q", TAKES, CLOCK)
    places = [entry.path.relative_to(card).as_posix() for entry in taken]
    assert places == ["03-ring/TWVS0001.JPG", "03-ring/watch/TWVS0002.JPG", "01-plate/TWVS0003.JPG"]
    for path, digest in taken:
        assert hashlib.sha256(path.read_bytes()).hexdigest() == digest
        with Image.open(path) as picture:
            picture.load()
            assert picture.format == "JPEG"
    assert len({digest for _, digest in taken}) == len(taken)


def test_names_are_dcf_and_run_on_from_card_to_card(card: Path) -> None:
    scope = Videoscope("VS-02", next_number=9998)
    first = scope.take_all(card, "KG30409-Q", TAKES[:2], CLOCK)
    second = scope.take_all(card, "KG30409-Q", TAKES[:1], CLOCK)
    names = [entry.path.name for entry in first + second]
    assert names == ["TWVS9998.JPG", "TWVS9999.JPG", "TWVS0001.JPG"]
    assert all(DCF.match(name) for name in names)


@given(st.integers(-5, 10_005), st.text("ABZ09_az-ä", min_size=3, max_size=5))
def test_dcf_name_makes_a_dcf_name_or_refuses(number: int, prefix: str) -> None:
    try:
        name = dcf_name(prefix, number)
    except ValueError:
        assert not (1 <= number <= 9999 and re.fullmatch(r"[A-Z0-9_]{4}", prefix))
    else:
        assert DCF.match(name)


def test_exif_and_file_time_show_the_wrong_clock_of_the_scope(card: Path) -> None:
    """True time 08:00 UTC is 10:00 in Madrid in summer; the scope is an hour fast."""
    taken = Videoscope("VS-02").take_all(card, "KG30409-Q", TAKES, CLOCK)
    for count, (path, _) in enumerate(taken):
        shown = datetime(2026, 9, 15, 11, 0) + count * timedelta(seconds=9)  # noqa: DTZ001 as the scope shows it
        with path.open("rb") as file:
            read = exifread.process_file(file)
        assert str(read["EXIF DateTimeOriginal"]) == shown.strftime("%Y:%m:%d %H:%M:%S")
        assert str(read["EXIF BodySerialNumber"]) == "VS-02"
        local = datetime.fromtimestamp(path.stat().st_mtime)  # noqa: DTZ006 the card has no zone
        assert timedelta() <= shown - local < timedelta(seconds=2)
        assert local.second % 2 == 0


def test_repeated_pictures_of_one_element_are_different_bytes(card: Path) -> None:
    takes = [Take("03-ring", "gear", "KG.1.RING", 1)] * 3
    taken = Videoscope("VS-02").take_all(card, "KG30409-Q", takes, CLOCK)
    assert len({entry.sha256 for entry in taken}) == 3


def test_nothing_is_written_where_no_folder_was_prepared(card: Path) -> None:
    with pytest.raises(FileNotFoundError, match="Prepare the card"):
        Videoscope("VS-02").take_all(card, "KG30409-Q", [Take("09-none", "gear", "KG.1.RING", 1)], CLOCK)
    assert [path for path in card.rglob("*") if path.is_file()] == []


def test_no_file_is_written_over(card: Path) -> None:
    kept = card / "03-ring" / "TWVS0001.JPG"
    kept.write_bytes(b"earlier")
    with pytest.raises(FileExistsError):
        Videoscope("VS-02").take_all(card, "KG30409-Q", TAKES[:1], CLOCK)
    assert kept.read_bytes() == b"earlier"


def test_a_clock_needs_an_instant_to_start_from() -> None:
    with pytest.raises(ValueError, match="no zone"):
        ScopeClock(start=datetime(2026, 9, 15, 8, 0), zone=ZoneInfo("UTC"))  # noqa: DTZ001 the case refused


def test_takes_cover_every_location_with_the_pictures_it_needs() -> None:
    for location in load_scenario().locations:
        takes = takes_for(location, "f")
        assert len(takes) == location.pictures_required, location.key
        assert {take.location for take in takes} == {location.key}
    ring = takes_for(
        load_scenario().location("KG.1.RING"), "f", seen={2: Seen("gear_damage_2022:scuffing", "watch")}
    )
    assert [take.element for take in ring[:3]] == [1, 4, 7]
    assert [take.condition for take in ring[:3]] == [None, "gear_damage_2022:scuffing", None]
    assert ring[1].evaluation == "watch"
    assert [take.kind for take in takes_for(load_scenario().location("KG.GEN.ID"), "f")] == [
        "nameplate",
        "clock",
    ]
    earlier = takes_for(load_scenario().location("KG.1.PL1-A"), "f", per_picture=6)
    assert [take.element for take in earlier] == [1, 7, 13, 19, 25]


def test_odd_files(tmp_path: Path) -> None:
    whole = Videoscope("VS-02")
    (tmp_path / "f").mkdir()
    data = whole.take_all(tmp_path, "KG30409-Q", [Take("f", "gear", "KG.1.RING", 1)], CLOCK)[
        0
    ].path.read_bytes()
    assert seed_scope.put_zero_length(tmp_path).stat().st_size == 0
    cut = seed_scope.put_truncated(tmp_path, data)
    assert data.startswith(cut.read_bytes())
    with Image.open(cut) as picture, pytest.raises(OSError, match="truncated"):
        picture.load()
    with pytest.raises(OSError, match="cannot identify"):
        Image.open(seed_scope.put_text_as_picture(tmp_path))
    composed, decomposed = seed_scope.put_both_normal_forms(tmp_path, b"1", b"2")
    assert composed.name != decomposed.name
    assert unicodedata.normalize("NFC", decomposed.name) == composed.name
    assert (composed.read_bytes(), decomposed.read_bytes()) == (b"1", b"2")
    upper, lower = seed_scope.put_case_twins(tmp_path, b"1", b"2")
    assert upper.name.lower() == lower.name
    assert (upper.read_bytes(), lower.read_bytes()) == (b"1", b"2")


def test_side_file_is_a_chain_of_whole_boxes(tmp_path: Path) -> None:
    """ISO/IEC 14496-12: each box begins with its length and type."""
    data = seed_scope.put_video_side_file(tmp_path).read_bytes()
    boxes, at = [], 0
    while at < len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        boxes.append(data[at + 4 : at + 8])
        at += length
    assert at == len(data) == 4096
    assert boxes == [b"ftyp", b"mdat"]

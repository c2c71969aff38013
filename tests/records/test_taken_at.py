"""When a picture was taken, by which clock (CIPA DC-008 tag meanings, from memory)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import hypothesis.strategies as st
import pytest
from hypothesis import given
from msgspec.structs import replace

from service.intake.rules.clocks import AHEAD, EARLIEST, exif_as_read, taken_at
from service.intake.rules.manifests import wants_thumbnail
from service.units.rules import nearest
from tests.intake.factories import file_of

READ = datetime(2026, 5, 1, 12, tzinfo=UTC)
BERLIN = ZoneInfo("Europe/Berlin")
ORIGINAL = "DateTimeOriginal"
OFFSET = "OffsetTimeOriginal"
SUBSEC = "SubSecTimeOriginal"


def _utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[arg-type, misc]


@pytest.mark.parametrize(
    ("exif", "modified", "at", "basis"),
    [
        ({ORIGINAL: "2026:04:30 10:00:00", OFFSET: "+05:30"}, None, _utc(2026, 4, 30, 4, 30), "exif"),
        ({ORIGINAL: "2026:04:30 10:00:00", OFFSET: "-03:00"}, None, _utc(2026, 4, 30, 13), "exif"),
        ({ORIGINAL: "2026:04:30 10:00:00"}, None, _utc(2026, 4, 30, 8), "exif, site zone assumed"),
        (
            {ORIGINAL: "2026:01:30 10:00:00", OFFSET: "   :  "},
            None,
            _utc(2026, 1, 30, 9),
            "exif, site zone assumed",
        ),
        (
            {ORIGINAL: "2026:01:30 10:00:00", OFFSET: "+25:00"},
            None,
            _utc(2026, 1, 30, 9),
            "exif, site zone assumed",
        ),
        ({}, "2026-04-30T10:00:02", _utc(2026, 4, 30, 8, 0, 2), "file system, site zone assumed"),
        ({}, "2026-04-30T10:00:02+00:00", _utc(2026, 4, 30, 10, 0, 2), "file system"),
        (
            {ORIGINAL: "0000:00:00 00:00:00"},
            "2026-04-30T10:00",
            _utc(2026, 4, 30, 8),
            "file system, site zone assumed",
        ),
        ({ORIGINAL: "    :  :     :  :  "}, None, _utc(2026, 5, 1, 12), "read"),
        (
            {ORIGINAL: "1980:01:01 00:00:00"},
            "2026-04-30T10:00:00",
            _utc(2026, 4, 30, 8),
            "file system, site zone assumed; exif implausible",
        ),
        (
            {ORIGINAL: "2027:01:01 00:00:00"},
            "1980-01-01T00:00:00",
            _utc(2026, 5, 1, 12),
            "read; exif implausible; file system implausible",
        ),
        ({ORIGINAL: "2026:13:01 00:00:00"}, "yesterday", _utc(2026, 5, 1, 12), "read"),
        ({ORIGINAL: "0001:01:01 00:00:00"}, None, _utc(2026, 5, 1, 12), "read; exif implausible"),
    ],
)
def test_i9_the_best_clock_is_used_and_named(
    exif: dict[str, str], modified: str | None, at: datetime, basis: str
) -> None:
    assert taken_at(exif, modified, READ, READ, BERLIN) == (at, basis)


@pytest.mark.parametrize(
    ("digits", "microseconds"),
    [("5", 500000), ("05", 50000), ("05 ", 50000), ("123456789", 123456), ("", 0), ("x", 0), ("²", 0)],
)
def test_sub_seconds_are_the_digits_after_the_point(digits: str, microseconds: int) -> None:
    exif = {ORIGINAL: "2026:04:30 10:00:00", OFFSET: "+00:00", SUBSEC: digits}
    assert taken_at(exif, None, READ, READ, BERLIN).at.microsecond == microseconds


_TEXT = st.text(max_size=24) | st.datetimes().map(lambda at: at.strftime("%Y:%m:%d %H:%M:%S"))


@given(
    st.dictionaries(st.sampled_from((ORIGINAL, OFFSET, SUBSEC)), _TEXT),
    st.none() | st.text(max_size=30) | st.datetimes().map(datetime.isoformat),
    *[st.integers(946684800, 4102444800).map(lambda second: datetime.fromtimestamp(second, UTC))] * 2,
)
def test_every_answer_is_plausible_in_utc_and_says_its_basis(
    exif: dict[str, str], modified: str | None, read: datetime, received: datetime
) -> None:
    at, basis = taken_at(exif, modified, read, received, BERLIN)
    assert EARLIEST <= at <= max(read, received) + AHEAD
    assert at.utcoffset() == timedelta(0)
    assert basis.split(",")[0].split(";")[0] in ("exif", "file system", "read")
    assert ("read" in basis) <= (at == read)


def test_i9_a_workstation_clock_a_year_behind_does_not_override_the_scopes() -> None:
    exif = {ORIGINAL: "2026:04:30 10:00:00", OFFSET: "+00:00"}
    behind = READ - timedelta(days=365)
    assert taken_at(exif, None, behind, READ, BERLIN) == (_utc(2026, 4, 30, 10), "exif")
    # A card that was read a year before it was received: then the scope's clock was ahead of both.
    ahead = {ORIGINAL: "2027:04:30 10:00:00", OFFSET: "+00:00"}
    assert taken_at(ahead, None, behind, READ, BERLIN) == (behind, "read; exif implausible")


def test_i9_exif_is_shown_as_it_stands_in_the_file() -> None:
    assert exif_as_read({}) is None
    assert exif_as_read({ORIGINAL: "2026:04:30 10:00:00"}) == "2026:04:30 10:00:00"
    exif = {ORIGINAL: "2026:04:30 10:00:00", SUBSEC: "05", OFFSET: "+01:00"}
    assert exif_as_read(exif) == "2026:04:30 10:00:00.05 +01:00"


def test_i12_a_mistyped_serial_finds_its_neighbours() -> None:
    known = ["KG3-0107", "KG3-0108", "LT40-2201"]
    assert nearest("kg3-0170", known)[0].startswith("KG3-01")
    assert nearest("LT40-221", known) == ["LT40-2201"]
    assert nearest("???", known) == []


def test_only_stills_that_may_hold_a_picture_get_a_thumbnail() -> None:
    cut = file_of("A.JPG", b"cut", picture=None)
    assert wants_thumbnail(replace(cut, marks=["truncated"]))
    assert not wants_thumbnail(replace(cut, marks=["zero_length"]))
    assert not wants_thumbnail(replace(cut, kind="video"))
    assert not wants_thumbnail(replace(cut, kind="other"))


def test_i1_bytes_that_are_a_picture_want_a_thumbnail_under_any_name() -> None:
    picture = file_of("A.JPG", b"whole")
    for kind in ("still", "video", "side", "other"):
        assert wants_thumbnail(replace(picture, kind=kind))

"""The text of a slate and its drawing, held against a reader that is not ours."""

from __future__ import annotations

import io
import itertools
from collections.abc import Iterator
from dataclasses import replace
from typing import BinaryIO
from uuid import UUID

import pytest
import segno
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageDraw

from agent.slates import finding
from agent.slates.code import Codes, Garbled, Slate, read_text, slate_text
from agent.slates.drawing import INSIDE, OUTSIDE, QUIET_ZONE, drawn, qr_of, svg_of
from agent.slates.finding import find_codes
from seed.pictures import KINDS, Shot, draw
from tests.agent import hardware_views
from tests.agent.slate_views import View, seen, sheet, through_the_scope

# service/plans/plan.schema.json, definition "code".
KEYS = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", fullmatch=True)
SLATES = st.builds(Slate, st.uuids(), KEYS)
RING = Slate(UUID("01920000-0000-7000-8000-000000000001"), "KG.1.RING")


@given(SLATES)
def test_a_slates_text_gives_back_what_it_was_made_of(slate: Slate) -> None:
    assert read_text(slate_text(slate)) == slate


@given(SLATES, st.data())
def test_a_text_cut_short_or_changed_in_one_place_is_never_another_slate(
    slate: Slate, data: st.DataObject
) -> None:
    text = slate_text(slate)
    at = data.draw(st.integers(4, len(text) - 1))
    other = data.draw(st.characters(codec="ascii").filter(lambda character: character != text[at]))
    for broken in (text[:at], text[:at] + other + text[at + 1 :]):
        # 20 bits of check: one in a million would pass, and hypothesis does not search for it.
        assert read_text(broken) == Garbled()


@given(st.text(max_size=80))
def test_a_code_of_somebody_else_is_no_slate(text: str) -> None:
    said = read_text(text)
    assert said is None or (text[:2] == "SL" and said == Garbled())


def test_a_later_version_is_seen_and_not_understood() -> None:
    assert read_text(slate_text(RING).replace("SL1:", "SL2:")) == Garbled()


def test_a_key_that_no_plan_has_is_refused() -> None:
    for key in ("", "K" * 65):
        with pytest.raises(ValueError, match="location key"):
            slate_text(Slate(RING.inspection_id, key))


@given(SLATES)
def test_what_is_drawn_is_read_by_zxing_and_keeps_the_standards_levels(slate: Slate) -> None:
    """ISO/IEC 18004: the reader is zxing-cpp, which shares nothing with segno; level Q or H."""
    (found,) = zxingcpp.read_barcodes(sheet(slate, 900))
    assert found.text == slate_text(slate)
    assert found.ec_level in ("Q", "H")
    assert qr_of(slate).error in ("Q", "H")


def test_an_ordinary_key_needs_no_more_than_version_4() -> None:
    """33 modules: large ones even where the code fills little of the view."""
    assert qr_of(RING).version <= 4


@given(SLATES)
def test_the_frame_leaves_the_quiet_zone_and_stands_all_round(slate: Slate) -> None:
    """ISO/IEC 18004, 5.3.8: four light modules round the code. Twelve squares, three at least to a side."""
    picture = drawn(slate)
    code = len(qr_of(slate).matrix)
    unit = picture.side / OUTSIDE
    module = unit * INSIDE / (code + 2 * QUIET_ZONE)
    low, high = (picture.side - code * module) / 2, (picture.side + code * module) / 2
    frame = [one for one in picture.dark if not _inside(one, low, high)]
    quiet = low - QUIET_ZONE * module, high + QUIET_ZONE * module
    assert not any(_overlaps(one, *quiet) for one in frame)
    for side in (0, 1):
        assert {one[side] < quiet[0] for one in frame} == {True, False}
        assert {one[side] >= quiet[1] for one in frame} == {True, False}
    assert len(frame) == 5 * 12
    assert svg_of(slate, "x").count(f"h{round(unit)}v{round(unit)}h-{round(unit)}z") >= 12


def _inside(one: tuple[int, int, int, int], low: float, high: float) -> bool:
    x, y, width, height = one
    return low <= x and x + width <= high and low <= y and y + height <= high


def _overlaps(one: tuple[int, int, int, int], low: float, high: float) -> bool:
    x, y, width, height = one
    return x < high and x + width > low and y < high and y + height > low


@pytest.mark.parametrize(
    ("size", "views"),
    [((640, 480), 6), ((1280, 960), 3), ((2592, 1944), 1)],
    ids=["0.3 MP", "1.2 MP", "5 MP"],
)
@pytest.mark.parametrize("share", [0.25, 0.5, 0.75])
def test_a_slate_is_found_through_a_synthetic_scope(size: tuple[int, int], views: int, share: float) -> None:
    for seed in range(views):
        picture = seen([RING], View(seed, size, share))
        assert find_codes(io.BytesIO(picture)) == Codes((slate_text(RING),))


def test_two_slates_in_one_picture_are_both_found() -> None:
    other = Slate(RING.inspection_id, "KG.1.SUN")
    found = find_codes(io.BytesIO(seen([RING, other], View(3, (1600, 1200), 0.2))))
    assert found == Codes(tuple(sorted((slate_text(RING), slate_text(other)))))


@pytest.mark.parametrize(
    "bad", [View(glare=0.15), View(blur=0.008), View(cut=0.35), View(share=0.12)], ids=str
)
def test_a_bad_slate_is_read_whole_or_known_to_be_half_read_and_never_wrong(bad: View) -> None:
    views = [replace(bad, seed=seed, size=(640, 480)) for seed in range(8)]
    found = {find_codes(io.BytesIO(seen([RING], view))) for view in views}
    assert found <= {Codes(half_read=True), Codes((slate_text(RING),))}


@pytest.mark.parametrize("cut", [0.2, 0.3, 0.4, 0.5])
def test_a_slate_cut_off_by_the_edge_of_the_round_view_is_seen(cut: float) -> None:
    for seed in range(6):
        found = find_codes(io.BytesIO(seen([RING], View(seed, (640, 480), 0.5, cut))))
        assert found in (Codes(half_read=True), Codes((slate_text(RING),))), seed


def test_one_pattern_alone_is_half_of_a_slate() -> None:
    """A finder pattern of the code or a square of its frame, turned."""
    for rings, seed in itertools.product((FINDER, ALIGNMENT), range(6)):
        for width in (100, 160, 240):
            page = Image.new("L", (640, 480), 150)
            page.paste(_pattern(rings, width).rotate(15 * seed, expand=True, fillcolor=225), (200, 150))
            assert find_codes(io.BytesIO(through_the_scope(page, View(seed, page.size)))) == Codes(
                half_read=True
            )


# ISO/IEC 18004, 5.3.2 and 5.3.5: dark squares and light ones within each other, in modules.
FINDER, ALIGNMENT = (7, 5, 3), (5, 3, 1)


def _pattern(rings: tuple[int, ...], width: int) -> Image.Image:
    """With a light module around it."""
    side, module = rings[0] + 2, 20
    made = Image.new("L", (side * module, side * module), 225)
    for ring, grey in zip(rings, (20, 225, 20), strict=True):
        corner = (side - ring) // 2 * module
        square = (corner, corner, corner + ring * module - 1, corner + ring * module - 1)
        ImageDraw.Draw(made).rectangle(square, grey)
    return made.resize((width, width), Image.Resampling.BOX)


def test_a_code_not_read_at_the_first_look_is_read_closer(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first look is made coarser here, so that a small picture shows what a large one would."""
    closer: list[tuple[int, int]] = []
    looking = finding._closer

    def spied(file: BinaryIO, size: tuple[int, int], grey: Image.Image) -> Iterator[list[finding._Code]]:
        closer.append(size)
        return looking(file, size, grey)

    monkeypatch.setattr(finding, "FIRST_LOOK", 320)
    monkeypatch.setattr(finding, "_closer", spied)
    shares = [0.01 * at for at in (20, 22, 25) for _ in range(4)]
    pictures = [io.BytesIO(seen([RING], View(seed, share=share))) for seed, share in enumerate(shares)]
    assert {find_codes(file) for file in pictures} == {Codes((slate_text(RING),))}
    assert closer


def test_drawn_surfaces_are_no_slates() -> None:
    for kind in KINDS:
        out = io.BytesIO()
        draw(kind, Shot("KG30401-E", "KG.1.RING", 1)).save(out, "JPEG")
        assert find_codes(out) == Codes(), kind


@pytest.mark.parametrize("kind", list(hardware_views.KINDS))
def test_drawn_hardware_is_no_slate(kind: str) -> None:
    """Of the circles of bolts zxing-cpp takes every third for a code that it cannot read."""
    for seed in range(0, 9 * 9, 9):
        assert find_codes(io.BytesIO(hardware_views.hardware(kind, seed))) == Codes(), seed


@pytest.mark.parametrize("side", [120, 200, 400])
def test_a_code_of_the_plants_own_that_is_read_whole_is_not_half_a_slate(side: int) -> None:
    out = io.BytesIO()
    segno.make_qr("https://plant.example/tag/4711", error="q").save(out, kind="png", scale=8)
    tag = Image.open(out).convert("L")
    for seed in range(6):
        page = Image.new("L", (1280, 960), 180)
        page.paste(tag.resize((side, side)), (440, 280))
        assert find_codes(io.BytesIO(through_the_scope(page, View(seed)))) == Codes()


def test_broken_bytes_are_said_to_be_broken() -> None:
    whole = seen([RING])
    for raw in (b"", b"\xff\xd8\xff", whole[: len(whole) // 2], b"text"):
        assert find_codes(io.BytesIO(raw)) == Codes(broken=True)

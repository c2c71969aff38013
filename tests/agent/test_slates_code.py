"""The text of a slate and its drawing, held against a reader that is not ours."""

from __future__ import annotations

import io
from uuid import UUID

import pytest
import segno
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from agent.slates import finding
from agent.slates.code import Codes, Garbled, Slate, read_text, slate_text
from agent.slates.drawing import qr_of, svg_of
from agent.slates.finding import find_codes
from seed.pictures import KINDS, Shot, draw
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
    (found,) = zxingcpp.read_barcodes(sheet(slate, 4))
    assert found.text == slate_text(slate)
    assert found.ec_level in ("Q", "H")
    assert qr_of(slate).error in ("Q", "H")


def test_an_ordinary_key_needs_no_more_than_version_4() -> None:
    """37 or 41 modules with the quiet zone: large ones even where the code fills little of the view."""
    assert qr_of(RING).version <= 4
    assert 'viewBox="0 0 37 37"' in svg_of(RING, "Ring") or 'viewBox="0 0 41 41"' in svg_of(RING, "Ring")


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
    found = find_codes(io.BytesIO(seen([RING, other], View(3, (1600, 1200), 0.4))))
    assert found.texts == tuple(sorted((slate_text(RING), slate_text(other))))


def test_a_code_under_glare_is_read_whole_or_known_to_be_half_read_or_unseen_and_never_wrong() -> None:
    found = [find_codes(io.BytesIO(seen([RING], View(n, (640, 480), 0.6, glare=0.13)))) for n in range(12)]
    assert {one.texts for one in found} <= {(), (slate_text(RING),)}
    assert any(one.half_read and not one.texts for one in found)


def test_a_code_seen_and_not_read_at_the_first_look_is_read_at_the_second(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The first look is made coarser here, so that a small picture shows what a large one would."""
    pictures = [
        io.BytesIO(seen([RING], View(seed, share=0.01 * at))) for at in (20, 22, 25) for seed in range(8)
    ]
    monkeypatch.setattr(finding, "FIRST_LOOK", 320)
    unread = [file for file in pictures if finding._looked(file, finding._first_size((1280, 960))).half_read]
    assert unread
    assert {find_codes(file) for file in unread} == {Codes((slate_text(RING),))}


def test_drawn_surfaces_and_codes_of_others_are_no_slates() -> None:
    for kind in KINDS:
        out = io.BytesIO()
        draw(kind, Shot("KG30401-E", "KG.1.RING", 1)).save(out, "JPEG")
        assert find_codes(out) == Codes(), kind
    out = io.BytesIO()
    segno.make_qr("https://plant.example/tag/4711", error="q").save(out, kind="png", scale=8)
    tag = Image.open(out).convert("L")
    page = Image.new("L", (1280, 960), 180)
    page.paste(tag.resize((400, 400)), (440, 280))
    assert find_codes(io.BytesIO(through_the_scope(page, View(1)))) == Codes()


def test_broken_bytes_are_said_to_be_broken() -> None:
    whole = seen([RING])
    for raw in (b"", b"\xff\xd8\xff", whole[: len(whole) // 2], b"text"):
        assert find_codes(io.BytesIO(raw)) == Codes(broken=True)

"""Flat cards with slates, from the job sheet to the placements in the outbox. Views are synthetic."""

from __future__ import annotations

import re
import zlib
from pathlib import Path

import msgspec
import pytest
import zxingcpp
from PIL import Image, ImageDraw, ImageOps

from agent.cards.marker import read_marker
from agent.cards.placing import taken_late, unplaced_by_slates
from agent.errors import AgentError
from agent.pictures import Facts
from agent.profiles.schema import decode_profile, load_profile
from agent.sheets.printed import printable
from agent.slates.code import Slate, slate_text
from agent.slates.patterns import find_patterns
from agent.slates.rules import GAP_SHARE, HALF_READ, NO_SLATE, NOT_LOOKED_AT
from tests.agent.slate_views import View, seen
from tests.agent.station import Bench, jpeg, put

VIEW = View(1, (640, 480), 0.6)


def name(number: int) -> str:
    return f"DCIM/100TWVS_/TWVS{number:04}.JPG"


def of(bench: Bench, location: str, seed: int = 1, inspection: object = None) -> bytes:
    slate = Slate(inspection or bench.inspection.id, location)  # type: ignore[arg-type]
    return seen([slate], View(seed, VIEW.size, VIEW.share))


def fill(bench: Bench, *pictures: bytes, first: int = 1, card: Path | None = None) -> None:
    for number, data in enumerate(pictures, first):
        put(card or bench.card, name(number), data)


def places(bench: Bench, return_id: object) -> dict[int, tuple[str | None, str | None]]:
    """Location and reason by the number in the file's name."""
    files = bench.files(return_id)  # type: ignore[arg-type]
    claims = {path: file.placement for path, file in files.items()}
    assert all(claim is not None and claim.rule == "slate" for claim in claims.values())
    return {int(path[-8:-4]): (c.location_key, c.note) for path, c in claims.items() if c}


def test_the_sheets_carry_a_framed_code_for_each_location_that_another_reader_reads(bench: Bench) -> None:
    """The rectangles of the PDF's content streams (ISO 32000-1, 8.5.2) and of the page's SVG paths, drawn
    here, are read by zxing-cpp; each slate has the twelve squares of the frame."""
    marker = bench.prepare("flat-slate")
    assert {"SIGHTLEDGER-JOB.pdf", "SIGHTLEDGER-SLATES.html"} <= set(marker.own_files)
    wanted = [slate_text(Slate(bench.inspection.id, key)) for key in ("G.ID", "G.RING")]
    paper = _pages((bench.card / "SIGHTLEDGER-JOB.pdf").read_bytes())
    page = (bench.card / "SIGHTLEDGER-SLATES.html").read_text("utf-8")
    screen = _screens(page)
    for drawn, slates in ((paper, 2), (screen, 1)):
        read = [zxingcpp.read_barcodes(picture) for picture in drawn]
        assert sorted(code.text for codes in read for code in codes) == wanted
        assert {len(find_patterns(picture)) >= 12 * slates for picture in drawn} == {True}
    assert page.count("<section id=") == page.count('class="code"') == 2
    assert not re.search(r"<script|https?://(?!www\.w3\.org/2000/svg)", page)
    for said in ("TURN: Withdraw the probe first.", "stamped zero", "CW", "3 required", "ISOL: Prove"):
        assert said in page


def _pages(pdf: bytes) -> list[Image.Image]:
    """Those with rectangles."""
    pages = []
    for stream in re.findall(rb"stream\n(.*?)\nendstream", pdf, re.DOTALL):
        try:
            content = zlib.decompress(stream)
        except zlib.error:
            continue
        rectangles = re.findall(rb"([\d.-]+) ([\d.-]+) ([\d.-]+) ([\d.-]+) re f", content)
        if rectangles:
            page = Image.new("L", (1190, 1684), 255)
            for rectangle in rectangles:
                x, y, width, height = (2 * float(number) for number in rectangle)
                corners = sorted((1684 - y, 1684 - y - height))
                ImageDraw.Draw(page).rectangle((x, corners[0], x + width - 1, corners[1] - 1), fill=0)
            pages.append(page)
    return pages


def _screens(page: str) -> list[Image.Image]:
    """The slates of the page for screens, each with a margin."""
    screens = []
    for side, path in re.findall(r'viewBox="0 0 (\d+) \d+".*?crispEdges" d="([^"]+)"', page):
        screen = Image.new("L", (int(side), int(side)), 255)
        for rectangle in re.findall(r"M(\d+) (\d+)h(\d+)v(\d+)h-\d+z", path):
            x, y, width, height = map(int, rectangle)
            ImageDraw.Draw(screen).rectangle((x, y, x + width - 1, y + height - 1), fill=0)
        screens.append(ImageOps.expand(screen.resize((540, 540), Image.Resampling.BOX), 100, 255))
    return screens


def test_a_limit_keeps_its_sign_in_the_pdf() -> None:
    assert printable("\u2264 1 mm, 5 \u00b5m, \u00b0C \u03b1 A\u2013B") == (
        "<= 1 mm, 5 \u00b5m, \u00b0C [GREEK SMALL LETTER ALPHA] A-B"
    )


def test_folder_cards_get_no_slates(bench: Bench) -> None:
    """Their profile does not look for any: a picture of one would count as a picture of a location."""
    bench.prepare("two-level")
    assert not list(bench.card.glob("*.pdf"))


def test_pictures_follow_their_slates_and_slates_are_kept_marked_and_not_counted(bench: Bench) -> None:
    bench.prepare("flat-slate")
    fill(bench, of(bench, "G.ID"), jpeg(1), of(bench, "G.RING"), jpeg(2), jpeg(3, b"[G.RING] 11-20"))
    fill(bench, of(bench, "G.ID", 2), jpeg(4), first=7)
    return_id = bench.read()
    files = bench.files(return_id)
    assert {k: v for k, (v, _) in places(bench, return_id).items()} == {
        1: "G.ID", 2: "G.ID", 3: "G.RING", 4: "G.RING", 5: "G.RING", 7: "G.ID", 8: "G.ID",
    }  # fmt: skip
    assert [n for n in range(1, 9) if name(n) in files and "slate" in files[name(n)].marks] == [1, 3, 7]
    assert bench.station.outbox.pictures.by_location(return_id) == {"G.ID": (2, 2), "G.RING": (2, 2)}
    told = files[name(5)].placement
    assert told is not None
    assert (told.element, told.element_last, told.confidence) == (11, 20, 0.8)
    assert files[name(4)].placement.confidence == 0.95  # type: ignore[union-attr]
    assert unplaced_by_slates(bench.station.outbox, return_id) == []
    assert "SIGHTLEDGER-JOB.pdf" not in files


def test_a_gap_in_the_numbers_lowers_the_confidence(bench: Bench) -> None:
    bench.prepare("flat-slate")
    fill(bench, of(bench, "G.ID"), jpeg(1))
    fill(bench, jpeg(2), first=5)
    claim = bench.files(bench.read())[name(5)].placement
    assert claim is not None
    assert claim.location_key == "G.ID"
    assert claim.confidence == pytest.approx(0.95 * GAP_SHARE)


def test_i12_what_no_good_slate_places_stays_open_with_its_reason(bench: Bench) -> None:
    bench.prepare("flat-slate")
    worklist = bench.station.cache.worklist()
    assert worklist is not None
    other = next(one for one in worklist.inspections if one.unit == "U-200")
    half = seen([Slate(bench.inspection.id, "G.ID")], View(1, VIEW.size, 0.5, cut=0.5))
    fill(bench, jpeg(1), of(bench, "G.RING"), jpeg(2), half, jpeg(3), of(bench, "G.ID"), jpeg(4))
    fill(bench, of(bench, "G.ID", 3, other.id), jpeg(5), of(bench, "NO.SUCH"), jpeg(6), first=8)
    fill(bench, of(bench, "G.ID", 4)[:5000], jpeg(7), first=12)
    return_id = bench.read()
    foreign = "its slate is of unit U-200, not of what the card was prepared for"
    unknown = "its slate names NO.SUCH, which is not in the plan for this build"
    assert places(bench, return_id) == {
        1: (None, NO_SLATE), 2: ("G.RING", None), 3: ("G.RING", None),
        4: (None, HALF_READ), 5: (None, HALF_READ), 6: ("G.ID", None), 7: ("G.ID", None),
        8: (None, foreign), 9: (None, foreign), 10: (None, unknown), 11: (None, unknown),
        12: (None, NOT_LOOKED_AT), 13: (None, NOT_LOOKED_AT),
    }  # fmt: skip
    outbox = bench.station.outbox
    asked = [
        (unplaced.reason, unplaced.first, unplaced.last) for unplaced in unplaced_by_slates(outbox, return_id)
    ]
    assert asked == [
        (NO_SLATE, name(1), name(1)),
        (HALF_READ, name(4), name(5)),
        (foreign, name(8), name(9)),
        (unknown, name(10), name(11)),
        (NOT_LOOKED_AT, name(12), name(13)),
    ]
    assert taken_late(outbox, return_id, ["G.ID", "G.RING"]) == ["G.ID"]


@pytest.mark.parametrize("cut", [0.2, 0.3, 0.4, 0.5])
def test_pictures_after_a_slate_cut_off_by_the_round_view_do_not_go_to_the_place_before(
    bench: Bench, cut: float
) -> None:
    bench.prepare("flat-slate")
    slate = Slate(bench.inspection.id, "G.ID")
    for number in range(6):
        bad = seen([slate], View(number, VIEW.size, 0.5, cut))
        fill(bench, of(bench, "G.RING"), bad, jpeg(number), first=3 * number + 1)
    found = places(bench, bench.read())
    for number in range(6):
        assert found[3 * number + 1] == ("G.RING", None)
        assert found[3 * number + 3] in ((None, HALF_READ), ("G.ID", None)), number


def test_a_file_that_could_not_be_read_may_have_been_a_slate(bench: Bench) -> None:
    bench.prepare("flat-slate")
    fill(bench, of(bench, "G.ID"), jpeg(1))
    (bench.card / name(3)).symlink_to(bench.card / name(2))
    fill(bench, jpeg(2), first=4)
    found = places(bench, bench.read())
    assert (found[2], found[4]) == (("G.ID", None), (None, NOT_LOOKED_AT))


def test_the_card_before_is_a_proposal_for_a_person(bench: Bench, tmp_path: Path) -> None:
    bench.prepare("flat-slate")
    fill(bench, of(bench, "G.RING"), jpeg(1))
    bench.read(shift="day")
    second = tmp_path / "second"
    second.mkdir()
    bench.prepare("flat-slate", second)
    fill(bench, jpeg(2), of(bench, "G.ID"), jpeg(3), first=40, card=second)
    found = places(bench, bench.read(second, shift="night"))
    assert found[40][0] is None
    assert "ended at G.RING" in (found[40][1] or "")
    assert found[42] == ("G.ID", None)
    assert places(bench, bench.read(second, scope="VS-2"))[40] == (None, NO_SLATE)


def test_a_picture_is_looked_at_once(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.prepare("flat-slate")
    fill(bench, of(bench, "G.ID"), jpeg(1))
    first = places(bench, bench.read())
    row = bench.station.outbox.connection.execute("SELECT facts FROM originals LIMIT 1").fetchone()
    assert msgspec.json.decode(row["facts"], type=Facts).codes is not None

    def never(file: object) -> None:
        raise AssertionError("decoded twice")

    monkeypatch.setattr("agent.cards.placing.find_codes", never)
    assert places(bench, bench.read()) == first


def test_a_profile_with_a_pattern_for_slates_is_refused() -> None:
    raw = b"""format = "sightledger-card-profile/1"
code = "x"
title = "x"
names = { longest = 8 }
files = { stills = ["jpg"] }
rules = [{ from = "slate", confidence = 0.9, pattern = "(?P<location>.+)" }]
"""
    with pytest.raises(AgentError, match="'slate' has none"):
        decode_profile(raw, "x")
    assert load_profile("flat-slate").rule_from("slate") is not None


def test_a_card_prepared_with_slates_is_prepared_again_for_another_unit(bench: Bench) -> None:
    first = bench.prepare("flat-slate")
    again = bench.prepare("flat-slate")
    marker = read_marker(bench.card)
    assert marker is not None
    assert marker.card_id == again.card_id != first.card_id

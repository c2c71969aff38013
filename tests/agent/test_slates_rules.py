"""Nothing is placed that a slate of this inspection did not place."""

from __future__ import annotations

import random
from uuid import UUID

from hypothesis import given
from hypothesis import strategies as st

from agent.slates.code import Codes, Slate, slate_text
from agent.slates.rules import (
    GAP_SHARE,
    HALF_READ,
    NO_SLATE,
    NOT_LOOKED_AT,
    TWO_SLATES,
    Job,
    Placing,
    Shot,
    capture_key,
    ends_at,
    out_of_order,
    place,
)

OWN = UUID("01920000-0000-7000-8000-000000000001")
TWIN = UUID("01920000-0000-7000-8000-000000000002")
OTHER = UUID("01920000-0000-7000-8000-000000000003")
JOB = Job(OWN, frozenset("ABC"), {OWN: "U-100", TWIN: "U-100", OTHER: "U-200"})

PICTURE = Codes()


def slate(location: str, inspection: UUID = OWN) -> Codes:
    return Codes((slate_text(Slate(inspection, location)),))


GOOD = st.sampled_from("ABC").map(slate)
BAD = st.sampled_from(
    [
        slate("Z"),
        slate("A", OTHER),
        slate("B", TWIN),
        Codes(half_read=True),
        Codes(("SL1:cut short",)),
        Codes(slate("A").texts + slate("B").texts),
        Codes(slate("A").texts, half_read=True),
        Codes(broken=True),
        None,
    ]
)
SEQUENCES = st.lists(st.one_of(st.just(PICTURE), GOOD, BAD), max_size=25)


def path(number: int, folder: int = 100) -> bytes:
    return b"DCIM/%03dTWVS/TWVS%04d.JPG" % (folder, number)


def card(codes: list[Codes | None], first: int = 1, folder: int = 100) -> list[Shot]:
    return [Shot(path(number, folder), one) for number, one in enumerate(codes, first)]


def placed(codes: list[Codes | None], job: Job = JOB) -> list[Placing]:
    shots = card(codes)
    by_path = place(shots, job)
    return [by_path[shot.path] for shot in shots]


@given(SEQUENCES)
def test_nothing_is_placed_but_after_a_good_slate_with_nothing_doubtful_between(
    codes: list[Codes | None],
) -> None:
    holds: str | None = None
    for one, placing in zip(codes, placed(codes), strict=True):
        good = next((key for key in "ABC" if one == slate(key)), None)
        holds = good if good else holds if one == PICTURE else None
        assert placing.location == holds
        assert (placing.reason is None) == (holds is not None)
        if good:
            assert placing.slate


@given(SEQUENCES, st.integers())
def test_the_order_in_which_files_are_given_does_not_matter(codes: list[Codes | None], seed: int) -> None:
    shots = card(codes)
    mixed = shots[:]
    random.Random(seed).shuffle(mixed)
    assert place(mixed, JOB) == place(shots, JOB)


@given(SEQUENCES, SEQUENCES, GOOD)
def test_what_begins_with_a_slate_is_placed_as_if_it_were_a_card_of_its_own(
    before: list[Codes | None], after: list[Codes | None], first: Codes
) -> None:
    own = card([first, *after], folder=101)
    both = place([*card(before), *own], JOB)
    assert {shot.path: both[shot.path] for shot in own} == place(own, JOB)


@given(SEQUENCES, SEQUENCES)
def test_a_card_before_is_a_proposal_and_never_places_a_picture(
    first: list[Codes | None], second: list[Codes | None]
) -> None:
    carried = ends_at(card(first), JOB)
    alone, following = placed(second), placed(second, Job(OWN, JOB.locations, JOB.units, carried))
    assert [one.location for one in following] == [one.location for one in alone]
    for one, was in zip(following, alone, strict=True):
        if was.reason == NO_SLATE and carried:
            assert one.reason is not None
            assert carried in one.reason
        else:
            assert one == was


@given(SEQUENCES)
def test_i12_a_slate_of_another_unit_places_nothing_there_or_here(codes: list[Codes | None]) -> None:
    only_foreign = [slate("A", OTHER) if one in map(slate, "ABC") else one for one in codes]
    assert {one.location for one in placed(only_foreign)} <= {None}


def test_each_doubt_is_named() -> None:
    doubts = {
        HALF_READ: [
            Codes(half_read=True),
            Codes(("SL1:cut short",)),
            Codes(slate("A").texts, half_read=True),
        ],
        TWO_SLATES: [Codes(slate("A").texts + slate("B").texts)],
        NOT_LOOKED_AT: [Codes(broken=True), None],
        "its slate is of unit U-200, not of what the card was prepared for": [slate("A", OTHER)],
        "its slate is of another inspection of the same unit": [slate("A", TWIN)],
        "its slate names Z, which is not in the plan for this build": [slate("Z")],
    }
    for reason, seen in doubts.items():
        for one in seen:
            assert [p.reason for p in placed([slate("A"), PICTURE, one, PICTURE])] == [
                None,
                None,
                reason,
                reason,
            ]
    unknown = slate("A", UUID(int=7))
    assert "an inspection not known here" in (placed([unknown])[0].reason or "")
    assert placed([PICTURE])[0].reason == NO_SLATE


def test_without_the_plan_the_key_is_left_to_the_service() -> None:
    assert placed([slate("Z"), PICTURE], Job(OWN))[1].location == "Z"


def test_a_missing_number_after_a_slate_lowers_the_confidence_until_the_next() -> None:
    """What was deleted at the scope may have been a slate."""
    shots = [Shot(path(n), one) for n, one in ((1, slate("A")), (2, PICTURE), (4, PICTURE), (5, PICTURE))]
    shots += [Shot(path(9), slate("B")), Shot(path(10)), Shot(path(1, 101))]
    assert [one.share for one in place(shots, JOB).values()] == [1, 1, GAP_SHARE, GAP_SHARE, 1, 1, 1]


def test_a_picture_and_its_sound_share_a_number_and_make_no_gap() -> None:
    shots = [Shot(path(1), slate("A")), Shot(path(2)), Shot(path(2)[:-3] + b"WAV"), Shot(path(3))]
    assert {(one.location, one.share) for one in place(shots, JOB).values()} == {("A", 1)}


def test_capture_order_is_that_of_dcf_numbers_and_then_of_names() -> None:
    """CIPA DC-009 (DCF): folder 100 to 999 and five characters, file four characters and 0001 to 9999."""
    right = [
        b"DCIM/100ZZZZZ/ZZZZ9999.JPG",
        b"DCIM/101AAAAA/AAAA0001.JPG",
        b"DCIM/101AAAAA/BBBB0002.JPG",
        b"DCIM/101AAAAA/AAAA0010.JPG",
        b"DCIM/999AAAAA/AAAA0001.MOV",
        b"A/B.JPG",
        b"ZZZZ0001.JPG",
    ]
    assert sorted(reversed(right), key=capture_key) == right


def test_another_order_than_the_job_sheet_is_seen() -> None:
    assert out_of_order(["A", "A", "B", "C"], "ABC") == []
    assert out_of_order(["B", "A", "C", "A"], "ABC") == ["A"]
    assert out_of_order(["C", "X", "B", "A"], "ABC") == ["B", "A"]

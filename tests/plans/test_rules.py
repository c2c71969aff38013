"""The life of revisions: the fold, the two-person rule, and what is effective where and when."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from uuid import UUID

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.contract.plans import EventKind
from service.plans import rules
from service.plans.rules import (
    FOLLOWS,
    STATE_AFTER,
    Event,
    FoldedRevision,
    Publication,
    applicability,
    editable,
    effective_at,
    fold,
    person_fault,
    state_of,
    step_fault,
)
from tests.plans.documents import document

AUTHOR, SUBMITTER, APPROVER = UUID(int=101), UUID(int=102), UUID(int=103)
T0 = datetime(2026, 1, 1, tzinfo=UTC)
DAY = timedelta(days=1)
R1, R2, R3 = UUID(int=1), UUID(int=2), UUID(int=3)


def event(
    number: int,
    kind: EventKind,
    *replaces: int,
    by: UUID = APPROVER,
    day: int | None = None,
    sites: str | None = None,
) -> Event:
    """Event `number`; `sites` are single letters."""
    moment = None if day is None else T0 + day * DAY
    return Event(
        UUID(int=number),
        kind,
        by,
        frozenset(UUID(int=r) for r in replaces),
        moment,
        None if sites is None else frozenset(sites),
    )


SUBMITTED = event(1, "submitted", by=SUBMITTER)
APPROVED = event(2, "approved", 1)
PUBLISHED = event(3, "published", 2, day=10, sites="A")
LIFE = [SUBMITTED, APPROVED, PUBLISHED]


@st.composite
def told(draw: st.DrawFn) -> list[Event]:
    """Events that replace some of the earlier ones, as if told by people who did not know all."""
    made: list[Event] = []
    for number in range(1, draw(st.integers(0, 7)) + 1):
        kind = draw(st.sampled_from(sorted(STATE_AFTER)))
        replaces = draw(st.sets(st.integers(1, number - 1), max_size=3)) if number > 1 else set()
        day = draw(st.integers(0, 3)) if kind == "published" else None
        sites = draw(st.sampled_from([None, "A", "B", "AB"])) if kind == "published" else None
        made.append(event(number, kind, *replaces, day=day, sites=sites))
    return made


@given(told(), st.data())
def test_i3_any_order_and_any_repetition_give_the_same_state(
    events: list[Event], data: st.DataObject
) -> None:
    shuffled = data.draw(
        st.permutations(events + data.draw(st.lists(st.sampled_from(events)) if events else st.just([])))
    )
    assert fold(shuffled) == fold(events)


@given(told())
def test_i4_heads_are_what_nothing_replaces_and_differing_heads_are_a_conflict(events: list[Event]) -> None:
    replaced = {r for e in events for r in e.replaces}
    heads = [e for e in events if e.id not in replaced]
    folded = fold(events)
    assert folded.heads == tuple(sorted(e.id for e in heads))
    differ = len({e.meaning() for e in heads}) > 1
    assert (folded.state == "conflict") == differ
    if differ:
        assert not folded.publications


@given(told())
def test_i4_replacing_every_head_settles(events: list[Event]) -> None:
    settling = Event(UUID(int=99), "withdrawn", APPROVER, frozenset(fold(events).heads))
    assert fold([*events, settling]) == FoldedRevision("withdrawn", (settling.id,))


@given(told())
def test_publications_in_force_come_from_published_events_of_a_live_revision(events: list[Event]) -> None:
    folded = fold(events)
    given_out = {
        Publication(e.effective_from, e.sites) for e in events if e.kind == "published" and e.effective_from
    }
    assert folded.publications <= given_out
    kinds = {e.kind for e in events if e.id in folded.heads}
    assert bool(folded.publications) <= (folded.state == "approved" and kinds <= {"published", "resumed"})


@pytest.mark.parametrize(
    ("events", "state"),
    [
        ([], "draft"),
        (LIFE[:1], "in_review"),
        ([SUBMITTED, event(2, "returned", 1)], "draft"),
        (LIFE[:2], "approved"),
        (LIFE, "approved"),
        ([*LIFE, event(4, "suspended", 3)], "suspended"),
        ([*LIFE, event(4, "suspended", 3), event(5, "resumed", 4)], "approved"),
        ([*LIFE, event(4, "withdrawn", 3)], "withdrawn"),
        ([event(1, "submitted"), event(2, "submitted", by=AUTHOR)], "in_review"),
        ([SUBMITTED, event(2, "approved", 1), event(3, "returned", 1)], "conflict"),
        ([event(1, "submitted", 2), event(2, "submitted", 1)], "conflict"),
        ([event(1, "submitted", 2), event(2, "submitted", 1), event(3, "approved", 1, 2)], "approved"),
        ([event(1, "submitted", 7)], "in_review"),
    ],
)
def test_states(events: list[Event], state: str) -> None:
    assert fold(events).state == state


def test_same_id_told_with_other_content_is_a_conflict_in_any_order() -> None:
    one, other = event(1, "submitted"), event(1, "withdrawn")
    assert fold([one, other]) == fold([other, one]) == FoldedRevision("conflict", (one.id,))


def publications(*events: Event) -> set[tuple[int, str | None]]:
    """Day and sites of what is in force."""
    return {
        ((held.effective_from - T0).days, None if held.sites is None else "".join(sorted(held.sites)))
        for held in fold([*LIFE, *events]).publications
    }


def test_a_revision_goes_to_further_sites_step_by_step() -> None:
    assert publications() == {(10, "A")}
    assert publications(event(4, "published", 3, day=20, sites="B")) == {(10, "A"), (20, "B")}


def test_suspension_holds_every_publication_and_resuming_gives_them_back() -> None:
    wider = event(4, "published", 3, day=20)
    suspended = event(5, "suspended", 4)
    assert publications(wider, suspended) == set()
    assert publications(wider, suspended, event(6, "resumed", 5)) == {(10, "A"), (20, None)}


def test_publishing_anew_after_a_suspension_stands_alone() -> None:
    again = event(5, "published", 4, day=30, sites="B")
    assert publications(event(4, "suspended", 3), again) == {(30, "B")}


def test_i4_two_publications_that_do_not_know_each_other_are_effective_nowhere_until_settled() -> None:
    one, other = event(4, "published", 3, day=20, sites="B"), event(5, "published", 3, day=30, sites="B")
    assert publications(one, other) == set()
    folds = {R1: fold([*LIFE, one, other])}
    assert state_of(R1, folds, T0 + 99 * DAY, "A") == "conflict"
    assert effective_at(folds, T0 + 99 * DAY, "A") is None
    assert publications(one, other, event(6, "published", 4, 5, day=40, sites="AB")) == {(40, "AB")}


def test_i4_approved_beside_returned_is_a_conflict_until_a_person_settles_it() -> None:
    returned = event(8, "returned", 1)
    racing = [SUBMITTED, APPROVED]
    assert step_fault(returned, racing) is None
    assert fold([*racing, returned]).state == "conflict"
    for kind in ("approved", "returned", "withdrawn"):
        settling = event(9, kind, 2, 8)
        assert step_fault(settling, [*racing, returned]) is None
        assert fold([*racing, returned, settling]).state == STATE_AFTER[kind]
    # Nothing goes on from a conflict, by either side or by both, before it is settled.
    for replaced in ((2,), (2, 8)):
        assert step_fault(event(9, "published", *replaced, day=1), [*racing, returned]) is not None


def published(day: int, sites: str | None = None) -> FoldedRevision:
    return fold([SUBMITTED, APPROVED, event(3, "published", 2, day=day, sites=sites)])


def test_effective_is_the_newest_publication_that_covers_the_site_and_was_reached() -> None:
    folds = {R1: published(0), R2: published(10, "A"), R3: published(20, "B")}
    at = T0 + 15 * DAY
    assert effective_at(folds, at, "A") == R2
    assert effective_at(folds, at, "B") == R1
    assert effective_at(folds, T0 + 20 * DAY, "B") == R3
    assert state_of(R3, folds, T0 + 20 * DAY, "B") == "effective"  # from that instant on
    assert effective_at(folds, T0 - DAY, "A") is None
    assert [state_of(r, folds, at, "A") for r in (R1, R2, R3)] == ["superseded", "effective", "approved"]
    assert [state_of(r, folds, at, "B") for r in (R1, R2, R3)] == ["effective", "approved", "approved"]


def test_without_a_site_a_revision_is_superseded_only_when_no_site_has_it() -> None:
    folds = {R1: published(0), R2: published(10, "A")}
    at = T0 + 15 * DAY
    assert [state_of(r, folds, at) for r in (R1, R2)] == ["effective", "effective"]
    folds[R3] = published(12)
    assert [state_of(r, folds, at) for r in (R1, R2, R3)] == ["superseded", "superseded", "effective"]


def test_of_two_with_the_same_date_the_greater_revision_id_is_effective() -> None:
    assert effective_at({R2: published(1), R1: published(1)}, T0 + DAY, "A") == R2


def test_suspended_or_withdrawn_hands_back_to_the_one_before() -> None:
    for kind in ("suspended", "withdrawn"):
        later = fold([*LIFE, event(4, kind, 3)])
        folds = {R1: published(0), R2: later}
        assert effective_at(folds, T0 + 30 * DAY, "A") == R1
        assert state_of(R2, folds, T0 + 30 * DAY, "A") == kind


@given(st.lists(told(), min_size=1, max_size=4), st.integers(-1, 4), st.sampled_from("ABC"))
def test_at_most_one_revision_is_effective_at_a_site(lives: list[list[Event]], day: int, site: str) -> None:
    folds = {UUID(int=n): fold(events) for n, events in enumerate(lives, start=1)}
    at = T0 + day * DAY
    effective = [r for r in folds if state_of(r, folds, at, site) == "effective"]
    winner = effective_at(folds, at, site)
    assert effective == ([] if winner is None else [winner])
    for revision, folded in folds.items():
        if folded.state != "approved":
            assert state_of(revision, folds, at) == folded.state


def test_two_person_rule_refuses_author_and_every_submitter() -> None:
    again = [SUBMITTED, event(5, "returned", 1), event(6, "submitted", 5, by=UUID(int=104))]
    for account in (AUTHOR, SUBMITTER, UUID(int=104)):
        assert person_fault(event(7, "approved", 6, by=account), again, AUTHOR) is not None
    assert person_fault(event(7, "approved", 6), again, AUTHOR) is None
    assert person_fault(event(7, "published", 6, by=AUTHOR), again, AUTHOR) is None


def test_steps_follow_the_table_and_nothing_else() -> None:
    # One life for each kind that can stand last.
    lives: dict[EventKind | None, list[Event]] = {
        None: [],
        "submitted": LIFE[:1],
        "returned": [SUBMITTED, event(2, "returned", 1)],
        "approved": LIFE[:2],
        "published": LIFE,
        "suspended": [*LIFE, event(4, "suspended", 3)],
        "resumed": [*LIFE, event(4, "suspended", 3), event(5, "resumed", 4)],
        "withdrawn": [event(1, "withdrawn")],
    }
    for last, life in lives.items():
        for kind, may_follow in FOLLOWS.items():
            step = Event(UUID(int=9), kind, APPROVER, frozenset(fold(life).heads))
            assert (step_fault(step, life) is None) == (last in may_follow), (last, kind)


@pytest.mark.parametrize("kind", list(FOLLOWS))
@pytest.mark.parametrize("number", [1, 2, 3, 4, 5])
def test_naming_earlier_steps_beside_the_last_one_opens_no_way_back(kind: EventKind, number: int) -> None:
    life = [*LIFE, event(4, "suspended", 3), event(5, "resumed", 4)][:number]
    alone = Event(UUID(int=9), kind, APPROVER, frozenset(fold(life).heads))
    for first in range(number):
        beside = Event(UUID(int=9), kind, APPROVER, frozenset(told.id for told in life[first:]))
        assert step_fault(beside, life) == step_fault(alone, life)
    skipping = Event(UUID(int=9), kind, APPROVER, frozenset({life[0].id, life[-1].id}))
    assert step_fault(skipping, life) == step_fault(alone, life)


def test_a_step_that_missed_what_came_later_is_refused() -> None:
    assert "moved on" in (step_fault(event(9, "returned", 1), LIFE) or "")
    assert step_fault(event(9, "submitted"), [SUBMITTED]) is None  # two at the same step: both are taken
    assert "moved on" in (step_fault(event(9, "submitted"), LIFE[:2]) or "")
    assert "no event of this revision" in (step_fault(event(9, "approved", 77), LIFE) or "")
    assert "no event of this revision" in (step_fault(event(9, "approved", 9), LIFE) or "")


@given(told(), st.data())
def test_what_the_steps_allow_leaves_a_settled_or_openly_racing_revision(
    events: list[Event], data: st.DataObject
) -> None:
    """Events taken one by one: only a race at one step can bring a conflict."""
    taken: list[Event] = []
    for step in events:
        if step_fault(step, taken) is None:
            heads = set(fold(taken).heads)
            taken.append(step)
            if fold(taken).state == "conflict":
                assert not heads <= step.replaces
    assert fold(data.draw(st.permutations(taken))) == fold(taken)


def test_i10_only_a_draft_that_was_never_published_is_editable() -> None:
    assert editable([])
    assert editable([SUBMITTED, event(2, "returned", 1)])
    assert not any(editable(LIFE[:n]) for n in (1, 2, 3))
    raced = [*LIFE, event(4, "returned", 2), event(5, "returned", 3, 4)]
    assert fold(raced).state == "draft"
    assert not editable(raced)


def test_i11_not_applicable_to_a_build_is_told_apart_from_a_build_the_plan_does_not_cover() -> None:
    assert applicability(document(), "X") == {"RING": True, "SUMP": True}
    assert applicability(document(), "Y") == {"RING": True, "SUMP": False}
    with pytest.raises(rules.BuildNotCovered, match="does not cover build Z"):
        applicability(document(), "Z")
    fewer = msgspec.structs.replace(document(), builds=["X"])
    with pytest.raises(rules.BuildNotCovered):
        applicability(fewer, "Y")

"""The fold and the roll-up, without a database."""

from __future__ import annotations

from dataclasses import fields, replace
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.campaigns import rules
from service.campaigns.rules import BoundLocation, Counts, FoldedLocation, Statement

KEYS = ("A", "B", "C")
KINDS = ("complete", "reopened", "not_inspected", "omission_authorised")


def uid(number: int) -> UUID:
    return UUID(int=number)


def said(number, kind="complete", on="A", replaces=(), reason=None) -> Statement:
    return Statement(uid(number), kind, frozenset(on), frozenset(map(uid, replaces)), reason)


@st.composite
def histories(draw, honest=True, size=7):
    """Statements over three locations; honest ones replace only what was there before them."""
    count = draw(st.integers(0, size))
    made = []
    for number in range(1, count + 1):
        known = range(1, number) if honest else range(1, count + 1)
        made.append(
            said(
                number,
                draw(st.sampled_from(KINDS)),
                draw(st.sets(st.sampled_from(KEYS), min_size=1)),
                draw(st.sets(st.sampled_from(list(known)))) if known else (),
                draw(st.sampled_from([None, "x:one", "x:two"])),
            )
        )
    return made


def test_nothing_said_is_no_statement():
    assert rules.location_state([], "A") == FoldedLocation("no_statement", ())
    assert rules.location_state([said(1, on="B")], "A") == FoldedLocation("no_statement", ())


@pytest.mark.parametrize("kind", KINDS)
def test_one_statement_is_the_state(kind):
    assert rules.location_state([said(7, kind)], "A") == FoldedLocation(kind, (uid(7),))


def test_two_shifts_that_both_say_complete_agree():
    assert rules.location_state([said(2), said(1)], "A") == FoldedLocation("complete", (uid(1), uid(2)))


def test_i4_heads_that_differ_in_kind_are_a_conflict():
    assert rules.location_state([said(1), said(2, "reopened")], "A") == FoldedLocation(
        "conflict", (uid(1), uid(2))
    )


def test_i4_heads_that_differ_in_reason_are_a_conflict():
    one, two = said(1, "not_inspected", reason="x:one"), said(2, "not_inspected", reason="x:two")
    assert rules.location_state([one, two], "A") == FoldedLocation("conflict", (uid(1), uid(2)))
    assert rules.location_state([one, replace(two, reason="x:one")], "A").state == "not_inspected"


def test_i4_a_reopened_that_names_one_of_two_completes_leaves_a_conflict():
    history = [said(1), said(2), said(3, "reopened", replaces=[1])]
    assert rules.location_state(history, "A") == FoldedLocation("conflict", (uid(2), uid(3)))


def test_i4_a_statement_that_replaces_all_heads_settles():
    history = [said(1), said(2, "reopened"), said(3, "complete", replaces=[1, 2])]
    assert rules.location_state(history, "A") == FoldedLocation("complete", (uid(3),))


def test_a_replacement_counts_only_where_it_names_the_location():
    history = [said(1, on="AB"), said(2, "reopened", on="B", replaces=[1])]
    assert rules.location_state(history, "A") == FoldedLocation("complete", (uid(1),))
    assert rules.location_state(history, "B") == FoldedLocation("reopened", (uid(2),))


def test_a_chain_ends_in_its_last_link_whatever_is_missing_in_between():
    history = [said(1), said(2, "reopened", replaces=[1]), said(3, replaces=[2])]
    assert rules.location_state(history, "A") == FoldedLocation("complete", (uid(3),))
    # The middle one has not arrived yet: first and last stand side by side, and agree.
    assert rules.location_state([history[0], history[2]], "A") == FoldedLocation("complete", (uid(1), uid(3)))


def test_replacing_an_unknown_id_or_itself_changes_nothing():
    assert rules.location_state([said(1, replaces=[99])], "A") == FoldedLocation("complete", (uid(1),))
    assert rules.location_state([said(1, replaces=[1])], "A") == FoldedLocation("complete", (uid(1),))


def test_a_ring_of_replacements_is_a_conflict_of_all_its_members():
    ring = [said(1, replaces=[3]), said(2, replaces=[1]), said(3, replaces=[2])]
    assert rules.location_state(ring, "A") == FoldedLocation("conflict", (uid(1), uid(2), uid(3)))


def test_what_a_ring_replaces_is_no_head():
    history = [said(1, "reopened"), said(2, replaces=[1, 3]), said(3, replaces=[2])]
    assert rules.location_state(history, "A") == FoldedLocation("conflict", (uid(2), uid(3)))


def test_a_statement_from_outside_the_ring_settles_it():
    ring = [said(1, replaces=[2]), said(2, replaces=[1])]
    assert rules.location_state([*ring, said(3, replaces=[1, 2])], "A") == FoldedLocation(
        "complete", (uid(3),)
    )
    assert rules.location_state([*ring, said(3, replaces=[1])], "A") == FoldedLocation("complete", (uid(3),))


def test_one_id_with_two_contents_hides_neither():
    assert rules.location_state([said(1), said(1, "reopened")], "A") == FoldedLocation("conflict", (uid(1),))


@given(histories(honest=False), st.randoms(use_true_random=False))
def test_i3_any_order_and_any_repetition_give_the_same_state(history, random):
    expected = {key: rules.location_state(history, key) for key in KEYS}
    again = history + [s for s in history if random.random() < 0.5]
    random.shuffle(again)
    assert {key: rules.location_state(again, key) for key in KEYS} == expected
    assert rules.fold(again, KEYS) == expected


@given(histories(honest=False), st.sampled_from(KINDS), st.sampled_from([None, "x:one"]))
def test_i4_replacing_every_head_gives_exactly_that_state(history, kind, reason):
    heads = rules.location_state(history, "A").heads
    settled = Statement(uid(1000), kind, frozenset("A"), frozenset(heads), reason)
    assert rules.location_state([*history, settled], "A") == FoldedLocation(kind, (uid(1000),))


@given(histories())
def test_honest_heads_are_those_that_nothing_replaces(history):
    for key in KEYS:
        named = [s for s in history if key in s.locations]
        replaced = {old for s in named for old in s.replaces}
        expected = tuple(sorted({s.id for s in named} - replaced))
        found = rules.location_state(history, key)
        assert found.heads == expected
        views = {(s.kind, s.reason) for s in named if s.id in expected}
        assert (found.state == "conflict") == (len(views) > 1)


@given(histories(honest=False))
def test_the_fold_never_loses_what_was_said(history):
    for key in KEYS:
        named = any(key in s.locations for s in history)
        found = rules.location_state(history, key)
        assert bool(found.heads) == named
        assert (found.state == "no_statement") == (not named)


@given(histories(honest=False), histories(honest=False))
def test_what_is_said_of_other_locations_has_no_effect(history, other):
    elsewhere = [
        replace(s, id=uid(s.id.int + 500), locations=s.locations - {"A"}, replaces=s.replaces) for s in other
    ]
    assert rules.location_state(history + elsewhere, "A") == rules.location_state(history, "A")


def test_fold_answers_for_the_keys_asked_and_only_those():
    history = [said(1, on="AB"), said(2, "reopened", on="C")]
    assert rules.fold(history, ["A", "D"]) == {
        "A": FoldedLocation("complete", (uid(1),)),
        "D": FoldedLocation("no_statement", ()),
    }
    assert rules.fold(history, []) == {}


def test_complete_and_not_inspected_in_one_breath_contradict_each_other():
    whole, part = said(1, on="ABC"), said(2, "not_inspected", on="B", reason="x:one")
    assert rules.contradictions([whole, part]) == {
        uid(1): frozenset({uid(2)}),
        uid(2): frozenset({uid(1)}),
    }
    assert rules.contradictions([whole, replace(part, locations=frozenset("D"))]) == {}
    assert rules.contradictions([whole, replace(part, replaces=frozenset({uid(1)}))]) == {}
    assert rules.contradictions([whole, said(3, on="B")]) == {}


def test_what_a_contradiction_stood_between_is_looked_at_without_it():
    first, between = said(1, on="A"), said(2, "reopened", on="AB", replaces=[1])
    against, last = said(3, "not_inspected", on="B", reason="x:one"), said(4, on="A", replaces=[2])
    last = replace(last, kind="not_inspected", reason="x:one")
    assert rules.contradictions([first, between, last]) == {}
    assert rules.contradictions([first, between, against, last]).keys() == {uid(1), uid(2), uid(3), uid(4)}


@given(histories())
def test_without_a_contradiction_a_batch_makes_no_conflict_by_itself(history):
    found = rules.contradictions(history)
    assert all(uid in found[other] for uid, others in found.items() for other in others)
    kept = [s for s in history if s.id not in found]
    assert all(rules.location_state(kept, key).state != "conflict" for key in KEYS)


@given(histories(), st.randoms(use_true_random=False))
def test_i3_contradictions_do_not_depend_on_order(history, random):
    again = history.copy()
    random.shuffle(again)
    assert rules.contradictions(again) == rules.contradictions(history)


def test_i11_not_applicable_comes_from_the_build_and_no_statement_changes_it():
    location = BoundLocation("A", applicable=False)
    assert rules.shown_state(location, FoldedLocation("complete", (uid(1),))) == "not_applicable"
    assert rules.shown_state(BoundLocation("A"), FoldedLocation("complete", (uid(1),))) == "complete"


def test_i11_the_four_kinds_of_nothing_are_counted_apart():
    locations = [BoundLocation(k, applicable=k != "N") for k in "CXSON"]
    counts, complete = rules.inspection_counts(
        locations,
        {"C": "complete", "X": "not_inspected", "O": "omission_authorised", "N": "not_applicable"},
    )
    assert counts == Counts(
        inspections=1, locations=4, complete=1, not_inspected=1, no_statement=1, omitted=1, not_applicable=1
    )
    assert not complete


@pytest.mark.parametrize("state", ["complete", "omission_authorised"])
def test_complete_when_each_owed_location_is_answered(state):
    locations = [
        BoundLocation("A"),
        BoundLocation("B"),
        BoundLocation("N", applicable=False),
        BoundLocation("G", bound=False),
    ]
    counts, complete = rules.inspection_counts(locations, {"A": "complete", "B": state, "G": "reopened"})
    assert complete
    assert (counts.inspections, counts.inspections_complete, counts.locations) == (1, 1, 2)
    assert counts.not_applicable == 1
    assert counts.reopened == 0


@pytest.mark.parametrize("state", ["not_inspected", "reopened", "conflict", "no_statement"])
def test_one_owed_location_that_is_not_answered_keeps_it_open(state):
    counts, complete = rules.inspection_counts(
        [BoundLocation("A"), BoundLocation("B")], {"A": "complete", "B": state}
    )
    assert not complete
    assert counts == replace(Counts(inspections=1, locations=2, complete=1), **{state: 1})


def test_a_location_without_a_state_has_no_statement():
    counts, complete = rules.inspection_counts([BoundLocation("A"), BoundLocation("B")], {"A": "complete"})
    assert not complete
    assert counts.no_statement == 1


def test_an_inspection_that_owes_nothing_is_not_complete():
    for locations in ([], [BoundLocation("A", applicable=False)], [BoundLocation("A", bound=False)]):
        counts, complete = rules.inspection_counts(locations, {"A": "complete"})
        assert not complete
        assert counts.inspections_complete == counts.complete == counts.locations == 0
        assert counts.inspections == 1


def test_an_unbound_location_that_is_not_applicable_is_counted_nowhere():
    counts, _ = rules.inspection_counts([BoundLocation("A", bound=False, applicable=False)], {})
    assert counts == Counts(inspections=1)


def test_pictures_are_summed_over_owed_locations_only():
    held = {"pictures_required": 3, "pictures_held": 5}
    locations = [
        BoundLocation("A", **held),
        BoundLocation("B", pictures_required=10, pictures_held=1),
        BoundLocation("G", bound=False, **held),
        BoundLocation("N", applicable=False, **held),
    ]
    counts, _ = rules.inspection_counts(locations, {})
    assert (counts.pictures_required, counts.pictures_held) == (13, 6)
    assert counts.pictures_required_held == 3 + 1


def test_a_complete_location_with_too_few_pictures_stays_complete_and_shows_it():
    counts, complete = rules.inspection_counts([BoundLocation("A", pictures_required=4)], {"A": "complete"})
    assert complete
    assert (counts.pictures_required, counts.pictures_held) == (4, 0)
    assert (counts.complete_short, counts.inspections_blocked) == (1, 1)


def test_surplus_pictures_at_one_place_hide_none_that_lack_elsewhere():
    locations = [
        BoundLocation("A", pictures_required=10, pictures_held=520),
        BoundLocation("B", pictures_required=300, pictures_held=5),
    ]
    counts, complete = rules.inspection_counts(locations, {"A": "complete", "B": "complete"})
    assert complete
    assert (counts.pictures_held, counts.pictures_required) == (525, 310)
    assert counts.pictures_required_held == 15
    assert (counts.complete, counts.complete_short, counts.inspections_blocked) == (2, 1, 1)


SCALE = {"sound": "nothing", "watch": "second_look", "refer": "engineering", "beyond": "engineering"}
pictures_of = st.lists(
    st.builds(
        rules.ShownPicture,
        st.sampled_from("abcdef"),
        st.sampled_from(["", *KEYS]),
        st.sampled_from([None, *SCALE, "of another plan"]),
    ),
    max_size=8,
)


def test_what_an_evaluation_requires_blocks_beside_complete():
    beyond = [rules.ShownPicture(digest, "A", "beyond") for digest in "abcde"]
    loose = [rules.ShownPicture(f"l{number}", "") for number in range(15)]
    found = rules.open_pictures([*beyond, *loose, rules.ShownPicture("s", "B", "watch")], SCALE)
    assert found == rules.OpenPictures(5, 1, 15)
    counts, complete = rules.inspection_counts([BoundLocation("A")], {"A": "complete"}, found)
    assert complete
    assert (counts.inspections_complete, counts.inspections_blocked) == (1, 1)
    counts, complete = rules.inspection_counts([BoundLocation("A")], {}, found)
    assert (complete, counts.inspections_blocked, counts.pictures_engineering) == (False, 0, 5)


def test_nothing_open_blocks_nothing():
    sound = rules.open_pictures([rules.ShownPicture("a", "A", "sound"), rules.ShownPicture("b", "A")], SCALE)
    assert sound == rules.OpenPictures()
    held = BoundLocation("A", pictures_required=2, pictures_held=2)
    counts, _ = rules.inspection_counts([held], {"A": "complete"}, sound)
    assert (counts.inspections_complete, counts.inspections_blocked, counts.complete_short) == (1, 0, 0)


def test_an_evaluation_that_the_scale_does_not_have_is_never_passed_over():
    found = rules.open_pictures([rules.ShownPicture("a", "A", "of another plan")], SCALE)
    assert found == rules.OpenPictures(pictures_second_look=1)


@given(pictures_of, st.randoms(use_true_random=False))
def test_i3_open_pictures_count_each_picture_once_in_any_order_and_repetition(pictures, random):
    found = rules.open_pictures(pictures, SCALE)
    again = pictures * 2
    random.shuffle(again)
    assert rules.open_pictures(again, SCALE) == found
    needing = {p.digest for p in pictures if p.evaluation in ("refer", "beyond")}
    assert found.pictures_engineering == len(needing)
    assert found.pictures_unplaced == len({p.digest for p in pictures if p.location_key == ""})


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), max_size=4))
def test_the_share_of_required_pictures_is_whole_only_where_no_place_lacks_any(places):
    locations = [
        BoundLocation(f"{n}", pictures_required=r, pictures_held=h) for n, (r, h) in enumerate(places)
    ]
    counts, _ = rules.inspection_counts(locations, {})
    assert (counts.pictures_required_held == counts.pictures_required) == all(h >= r for r, h in places)
    assert counts.pictures_required_held <= min(counts.pictures_required, counts.pictures_held)


def test_every_location_owes_an_answer_and_no_picture_until_told_otherwise():
    assert BoundLocation("A").owed
    assert BoundLocation("A").mandatory
    assert (BoundLocation("A").pictures_required, BoundLocation("A").pictures_held) == (0, 0)
    assert not BoundLocation("A", bound=False).owed
    assert not BoundLocation("A", applicable=False).owed


counts_of = st.builds(Counts, *[st.integers(0, 1000) for _ in fields(Counts)])
locations_of = st.lists(
    st.builds(
        BoundLocation,
        st.sampled_from(KEYS),
        bound=st.booleans(),
        applicable=st.booleans(),
        pictures_required=st.integers(0, 9),
        pictures_held=st.integers(0, 9),
    ),
    max_size=3,
    unique_by=lambda location: location.key,
)


def counted(locations, history) -> Counts:
    folded = rules.fold(history, KEYS)
    return rules.inspection_counts(locations, {k: f.state for k, f in folded.items()})[0]


@given(locations_of, histories())
def test_the_states_of_owed_locations_add_up(locations, history):
    counts = counted(locations, history)
    parts = ("complete", "omitted", "not_inspected", "reopened", "conflict", "no_statement")
    assert counts.locations == sum(getattr(counts, part) for part in parts)
    assert counts.locations + counts.not_applicable == sum(location.bound for location in locations)


@given(st.lists(st.tuples(locations_of, histories(), st.integers(0, 7)), max_size=4))
def test_i3_deltas_added_up_equal_a_recount(inspections):
    """Statements arrive in two halves; adding each change gives what counting anew gives."""
    early = [counted(locations, history[:cut]) for locations, history, cut in inspections]
    late = [counted(locations, history) for locations, history, _ in inspections]
    changes = [rules.delta(before, after) for before, after in zip(early, late, strict=True)]
    assert rules.rollup([*early, *changes]) == rules.rollup(late)


@given(counts_of, counts_of)
def test_delta_is_what_has_to_be_added(before, after):
    assert rules.rollup([before, rules.delta(before, after)]) == after
    assert rules.delta(before, before) == Counts()
    assert rules.delta(Counts(), after) == after


@given(counts_of, st.integers(0, 5))
def test_times_is_repeated_addition(counts, number):
    assert rules.times(counts, number) == rules.rollup([counts] * number)


def test_rollup_of_nothing_is_nought():
    assert rules.rollup([]) == Counts()


def test_the_counts_are_the_columns_of_the_completion_table():
    from service.campaigns.store.tables import completion

    keys = {"campaign_id", "site_id", "type_id"}
    assert tuple(c.name for c in completion.columns if c.name not in keys) == rules.COLUMNS


def test_i10_passage_names_what_came_went_changed_and_was_renamed():
    found = rules.passage(
        {"K": 1, "C": 1, "OLD": 1, "GONE": 1},
        {"K": 1, "C": 2, "NEW": 1, "ADD": 1},
        {"NEW": "OLD", "ADD": "NEVER", "C": "GONE"},
    )
    assert found == rules.Passage(("ADD", "NEW"), ("GONE", "OLD"), ("C",), {"NEW": "OLD"})


def test_i10_passage_between_equal_revisions_is_empty():
    assert rules.passage({"A": 1}, {"A": 1}, {"A": None}) == rules.Passage((), (), (), {})
    assert rules.passage({}, {"A": 1}, {}) == rules.Passage(("A",), (), (), {})


def test_share_of_nothing_is_unknown_not_nought():
    assert rules.share(0, 0) is None
    assert rules.share(0, 4) == 0.0
    assert rules.share(3, 4) == 0.75

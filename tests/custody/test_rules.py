"""What is read when, what is an orphan, how long a lock lasts: rules over any input."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.access.rules import Caller, Role
from service.contract.wire import new_id
from service.custody.rules import (
    AUDITS_PER_DAY,
    MAY_LOOK,
    Policy,
    counted,
    must_look,
    orphans,
    renew_at,
    share,
    strongest,
)
from service.errors import NotAllowed
from service.facts.rules import standing

AT = datetime(2026, 9, 10, tzinfo=UTC)
AGE = timedelta(days=30)


@dataclass(frozen=True)
class Object:
    digest: str | None
    modified: datetime


objects = st.builds(
    Object,
    st.none() | st.sampled_from("abcdefghij"),
    st.timedeltas(timedelta(days=-400), timedelta(days=400)).map(lambda ago: AT - ago),
)


@given(st.lists(objects), st.sets(st.sampled_from("abcdefghij")), st.data())
def test_p04_no_named_and_no_young_object_is_an_orphan_however_the_list_is_cut(
    listed: list[Object], named: set[str], data: st.DataObject
) -> None:
    found = orphans(listed, named, AT, AGE)
    assert not {one.digest for one in found} & named
    assert all(one.digest is not None and AT - one.modified >= AGE for one in found)
    left = [one for one in listed if one not in found]
    assert all(one.digest in {None, *named} or AT - one.modified < AGE for one in left)
    cut = data.draw(st.integers(0, len(listed)))
    assert orphans(listed[:cut], named, AT, AGE) + orphans(listed[cut:], named, AT, AGE) == found


@given(st.integers(0, 3_000_000), st.integers(1, 1000))
def test_p27_the_shares_of_a_window_are_all_originals_with_time_to_spare(held: int, window: int) -> None:
    runs = window * AUDITS_PER_DAY
    assert share(held, window) * runs * 0.8 >= held - 1e-6
    assert share(held, window) <= held * 1.25 / runs + 1


@dataclass(frozen=True)
class Reading:
    id: UUID
    digest: str
    outcome: str
    replaces: frozenset[UUID]


@given(st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from(["sound", "damaged"]))), st.randoms())
def test_p27_i3_the_last_reading_is_the_same_in_any_order_and_repetition(
    told: list[tuple[str, str]], random: object
) -> None:
    readings: list[Reading] = []
    expected: dict[str, Reading] = {}
    for digest, outcome in told:
        before = expected.get(digest)
        replaces = frozenset() if before is None else frozenset({before.id})
        expected[digest] = Reading(new_id(), digest, outcome, replaces)
        readings.append(expected[digest])
    mixed = readings + readings[: len(readings) // 2]
    random.shuffle(mixed)  # type: ignore[attr-defined]
    for digest, last in expected.items():
        assert standing([one for one in mixed if one.digest == digest]).heads == {last}


policies = st.builds(Policy, st.integers(0, 5000), st.booleans())


@given(st.lists(policies), policies, st.randoms())
def test_p28_several_sites_give_the_longest_time_and_a_further_one_never_less(
    asked: list[Policy], further: Policy, random: object
) -> None:
    one = strongest(asked)
    mixed = list(asked)
    random.shuffle(mixed)  # type: ignore[attr-defined]
    assert strongest(mixed) == one
    assert (one is None) == all(policy.days == 0 for policy in asked)
    more = strongest([*asked, further])
    if one is not None:
        assert more is not None
        assert one.days == max(policy.days for policy in asked)
        assert more.days >= one.days
        assert more.strict >= one.strict


def test_p28_a_lock_is_renewed_while_a_third_is_left() -> None:
    assert renew_at(AT + timedelta(days=30), Policy(30, False)) == AT + timedelta(days=20)


def test_outcomes_are_counted_with_those_that_did_not_come_up() -> None:
    assert counted(["sound", "missing", "sound"]) == {
        "sound": 2, "damaged": 0, "missing": 1, "unreadable": 0,
    }  # fmt: skip


@pytest.mark.parametrize("role", list(Role))
def test_who_may_see_how_originals_are_kept(role: Role) -> None:
    caller = Caller(new_id(), "A. Person", frozenset({role}), None)
    if role in MAY_LOOK:
        must_look(caller)
    else:
        with pytest.raises(NotAllowed, match=r"A\. Person may not see how the originals are kept"):
            must_look(caller)

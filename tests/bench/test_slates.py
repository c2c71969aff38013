"""The bench of slates in small: what it promises holds, and it would tell if it did not."""

from __future__ import annotations

import pytest

from tests.bench.slates import ALL_AT_ONCE, HALF_READ, READ, WRONG, Row, measure, rows, sums

CUT = Row("cut off, share of the code", 0.4)
ALL = Row(ALL_AT_ONCE, None)


def test_inside_what_is_promised_nothing_goes_to_a_wrong_place_without_a_word() -> None:
    asked = [(row, 0) for row in rows() if row.promised] + [(ALL, number) for number in range(1, 21)]
    counted = sums(measure(asked, 1), promised=True)
    assert counted.total() == len(asked)
    assert counted[WRONG] == 0
    assert min(counted[READ], counted[HALF_READ]) > 10


def test_a_slate_that_goes_unseen_is_counted_as_a_wrong_place(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = [(CUT, number) for number in range(3)]
    assert measure(asked, 1)[CUT] == {HALF_READ: 3}
    monkeypatch.setattr("agent.slates.patterns.find_patterns", lambda grey: [])
    assert measure(asked, 1)[CUT] == {WRONG: 3}

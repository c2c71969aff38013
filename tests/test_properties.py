"""Every promise has a proof, and tests/PROMISES.md shows which."""

from __future__ import annotations

from tests.properties import PROMISES, PROPERTIES, proofs, written


def test_every_property_is_proved_and_no_test_carries_an_unknown_number() -> None:
    assert set(proofs()) == set(PROPERTIES)


def test_the_list_of_promises_is_the_one_of_the_tests() -> None:
    assert PROMISES.read_text("utf-8") == written(), "run: python -m tests.properties"

"""Every promise has a proof, and DEVELOPERS.md shows which."""

from __future__ import annotations

from tests.properties import DEVELOPERS, PROPERTIES, proofs, with_table


def test_every_property_is_proved_and_no_test_carries_an_unknown_number() -> None:
    assert set(proofs()) == set(PROPERTIES)


def test_the_table_in_the_developers_notes_is_the_one_of_the_tests() -> None:
    text = DEVELOPERS.read_text("utf-8")
    assert text == with_table(text), "run: python -m tests.properties"

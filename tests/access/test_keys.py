"""Which receipt keys are trusted, from the facts about them."""

from __future__ import annotations

from uuid import UUID

from hypothesis import given
from hypothesis import strategies as st

from service.access.rules import KeyFact, distrusted


@st.composite
def histories(draw: st.DrawFn) -> list[KeyFact]:
    """Facts about two keys; each may replace any made before it, and not all of them."""
    facts: list[KeyFact] = []
    for number in range(draw(st.integers(1, 8))):
        key_id = draw(st.sampled_from(["a", "b"]))
        earlier = [fact.id for fact in facts if fact.key_id == key_id]
        replaces = frozenset(draw(st.lists(st.sampled_from(earlier), unique=True)) if earlier else [])
        facts.append(KeyFact(UUID(int=number + 1), replaces, key_id, draw(st.booleans())))
    return facts


@given(histories(), st.randoms())
def test_i3_trust_does_not_depend_on_order_or_repetition(history: list[KeyFact], chance: object) -> None:
    mixed = history + history[: len(history) // 2]
    chance.shuffle(mixed)
    assert distrusted(set(mixed)) == distrusted(history)


@given(histories())
def test_i4_a_distrust_that_nobody_took_back_holds_whatever_stands_beside_it(history: list[KeyFact]) -> None:
    replaced = {fact_id for fact in history for fact_id in fact.replaces}
    spoilt = distrusted(history)
    for fact in history:
        if not fact.trusted and fact.id not in replaced:
            assert fact.key_id in spoilt
    for key_id in {fact.key_id for fact in history} - spoilt:
        heads = [fact for fact in history if fact.key_id == key_id and fact.id not in replaced]
        assert heads
        assert all(fact.trusted for fact in heads)

"""What stands of the facts about one subject (I3, I4). Pure; any order and repetition, the same answer."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar
from uuid import UUID


class Fact(Protocol):
    """Something recorded once and kept; `replaces` names the facts in knowledge of which it was made."""

    @property
    def id(self) -> UUID: ...

    @property
    def replaces(self) -> frozenset[UUID]: ...


F = TypeVar("F", bound=Fact)


@dataclass(frozen=True, slots=True)
class Standing(Generic[F]):
    """`heads` are the facts that nothing later replaces. `in_ring`: some of them replace each other."""

    heads: frozenset[F]
    in_ring: bool

    @property
    def ids(self) -> tuple[UUID, ...]:
        """The heads' ids, ascending: what a next fact has to replace."""
        return tuple(sorted({head.id for head in self.heads}))


def standing(facts: Collection[F]) -> Standing[F]:
    """What stands of the facts about one subject; ids that are not among them replace nothing.

    Honest ids cannot replace each other in a ring. Should they, no member is the later one: all stand,
    until a fact from outside the ring replaces them all. `service.facts.store.stands` says the same in SQL.
    """
    later = later_facts(facts)
    heads = frozenset(fact for fact in facts if all(fact.id in later[other] for other in later[fact.id]))
    return Standing(heads, any(later[fact.id] for fact in heads))


def later_facts(facts: Collection[F]) -> dict[UUID, set[UUID]]:
    """For each id the others that replace it, directly or through others."""
    direct: dict[UUID, set[UUID]] = {fact.id: set() for fact in facts}
    for fact in facts:
        for replaced in fact.replaces & direct.keys():
            direct[replaced].add(fact.id)
    return {start: _reached(start, direct) - {start} for start in direct}


def _reached(start: UUID, direct: Mapping[UUID, set[UUID]]) -> set[UUID]:
    seen: set[UUID] = set()
    waiting = [start]
    while waiting:
        fresh = direct[waiting.pop()] - seen
        seen |= fresh
        waiting.extend(fresh)
    return seen

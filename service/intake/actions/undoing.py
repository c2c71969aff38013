"""Undoing a move: a further move that brings exactly its pictures back to where they stood (I12)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Caller
from service.campaigns.rules import Inspection
from service.contract.problem import ProblemError
from service.contract.records import MoveIn
from service.contract.wire import new_id
from service.database import Row
from service.errors import Conflict, Invalid, NotFound
from service.facts.store import append
from service.intake.rules.placing import Place, Placement, standing_placements
from service.intake.store import moving as store
from service.intake.store.showing import show_anew
from service.intake.store.tables import placements

# What a placement says besides who said it and when: it comes back as it was.
SAID = (
    "inspection_id", "location_key", "claimed_key", "claimed_element", "element", "element_last",
    "evaluation", "condition", "note", "rule", "confidence",
)  # fmt: skip


async def ends_of(connection: AsyncConnection, move_id: UUID) -> set[UUID]:
    """The inspections that undoing a move concerns; raises NotFound."""
    made, before = await store.facts_of_move(connection, move_id)
    if not made:
        raise NotFound(f"There is no move {move_id}.", next_step="Take the id from the history of the unit.")
    return {row["inspection_id"] for row in (*made, *before)}


async def undo(
    connection: AsyncConnection, caller: Caller, body: MoveIn, inspections: Mapping[UUID, Inspection]
) -> list[dict[str, Any]]:
    """Write the facts that undo the move `body.undoes`; the items of the new move.

    The inspections are locked. Raises Conflict where a picture was moved since, and where one stood nowhere
    before, since no fact can put it there.
    """
    assert body.undoes is not None
    if body.to is not None or body.pictures or body.sightings:
        raise Invalid(
            "A move that undoes another names no pictures and no place: they are those of the other.",
            next_step="Send the id, the reason and `undoes` alone.",
        )
    made, before = await store.facts_of_move(connection, body.undoes)
    facts = await store.facts_of_images(connection, {row["digest"] for row in made})
    standing = _standing_for(body.undoes, made, facts)
    _refuse_from_nowhere(body.undoes, made)
    restored = []
    for was in before:
        gone = [standing[row["id"]] for row in made if was["id"] in row["replaces"]]
        revision_id = inspections[was["inspection_id"]].revision_id
        restored.append({**_restored(was, gone), "revision_id": revision_id, "move_id": body.id})
    await append(connection, placements, restored, caller)
    await show_anew(connection, inspections.keys(), {row["digest"] for row in (*made, *before)})
    return _items(body, made, before)


def _standing_for(move_id: UUID, made: Sequence[Row], facts: Sequence[Row]) -> dict[UUID, UUID]:
    """The fact that stands for each that the move made: itself, or the one by which the undoing of a later
    move restored it."""
    heads_now = {fact.id for fact in standing_placements(_placement(row) for row in facts)}
    later: dict[UUID, list[Row]] = {}
    for row in facts:
        for gone in row["replaces"]:
            later.setdefault(gone, []).append(row)
    standing = {row["id"]: _follow(row, later, heads_now) for row in made}
    gone = sorted({row["digest"] for row in made if standing[row["id"]] is None})
    if gone:
        raise Conflict(
            f"{len(gone)} of the pictures of move {move_id} have been moved since.",
            next_step="Look at the history again: undo the later move first, or move the pictures.",
            errors=[ProblemError(detail="moved since", path=digest) for digest in gone[:100]],
        )
    return {made_id: now for made_id, now in standing.items() if now is not None}


def _follow(row: Row, later: Mapping[UUID, Sequence[Row]], heads_now: Collection[UUID]) -> UUID | None:
    return next((same["id"] for same in _same(row, later) if same["id"] in heads_now), None)


def _same(row: Row, later: Mapping[UUID, Sequence[Row]]) -> Iterator[Row]:
    """The fact, and every one by which the undoing of a move that replaced it restored it."""
    yield row
    for moved in later.get(row["id"], ()):
        for standing in _same(moved, later) if moved["move_id"] is not None else ():
            for back in later.get(standing["id"], ()):
                if back["undoes"] == moved["move_id"] and all(back[name] == row[name] for name in SAID):
                    yield from _same(back, later)


def _refuse_from_nowhere(move_id: UUID, made: Sequence[Row]) -> None:
    loose = sorted({row["digest"] for row in made if not row["replaces"]})
    if loose:
        raise Conflict(
            f"{len(loose)} of the pictures of move {move_id} stood at no inspection before it.",
            next_step="Move the pictures to where they belong instead; a picture that stands somewhere stays "
            "in a history.",
            errors=[ProblemError(detail="stood nowhere before", path=digest) for digest in loose[:100]],
        )


def _placement(row: Row) -> Placement:
    return Placement(row["id"], row["sighting_id"], _place(row), frozenset(row["replaces"]))


def _place(row: Row) -> Place:
    return Place(row["inspection_id"], row["location_key"] or "", row["element"] or 0)


def _restored(was: Row, gone: list[UUID]) -> dict[str, Any]:
    said = {name: was[name] for name in SAID}
    return {"id": new_id(), "sighting_id": was["sighting_id"], **said, "replaces": gone}


def _items(body: MoveIn, made: Sequence[Row], before: Sequence[Row]) -> list[dict[str, Any]]:
    """From where to where each picture goes back."""
    ways = Counter(
        (was["digest"], _place(row), _place(was))
        for was in before
        for row in made
        if was["id"] in row["replaces"]
    )
    return [
        {
            "move_id": body.id,
            "ordinal": ordinal,
            "digest": digest,
            "sightings": sightings,
            "from_inspection_id": origin.inspection_id,
            "from_location_key": origin.location_key or None,
            "from_element": origin.element or None,
            "to_inspection_id": target.inspection_id,
            "to_location_key": target.location_key or None,
            "to_element": target.element or None,
        }
        for ordinal, ((digest, origin, target), sightings) in enumerate(ways.items())
    ]

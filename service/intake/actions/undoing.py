"""To undo a move is a further move, which brings exactly its pictures back to where they stood (I12)."""

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
from service.errors import Conflict, Invalid, NotFound
from service.facts.store import append
from service.intake.rules.placing import Placement, standing_placements
from service.intake.store import moving as store
from service.intake.store.moving import PlacementRow
from service.intake.store.showing import show_anew
from service.intake.store.tables import placements

# What a placement says besides who made it and when: undoing a move brings this back unchanged.
CONTENT = (
    "inspection_id", "location_key", "claimed_key", "claimed_element", "element", "element_last",
    "evaluation", "condition", "note", "rule", "confidence",
)  # fmt: skip


async def ends_of(connection: AsyncConnection, move_id: UUID) -> set[UUID]:
    """The inspections that undoing a move concerns; raises NotFound."""
    made, before = await store.placements_of_move(connection, move_id)
    if not made:
        raise NotFound(f"There is no move {move_id}.", next_step="Take the id from the history of the unit.")
    return {placement.inspection_id for placement in (*made, *before)}


async def undo(
    connection: AsyncConnection, caller: Caller, body: MoveIn, inspections: Mapping[UUID, Inspection]
) -> list[dict[str, Any]]:
    """Write the placements that undo the move `body.undoes`, and return the items of the new move.

    The caller has locked `inspections`. Raises Conflict where a picture was moved since, and where a picture
    stood nowhere before, since no placement can put it back there.
    """
    assert body.undoes is not None
    if body.to is not None or body.pictures or body.sightings:
        raise Invalid(
            "A move that undoes another names no pictures and no place: they are those of the other.",
            next_step="Send the id, the reason and `undoes` alone.",
        )
    made, before = await store.placements_of_move(connection, body.undoes)
    recorded = await store.placements_of_images(connection, {placement.digest for placement in made})
    present = _present_ids(body.undoes, made, recorded)
    _refuse_from_nowhere(body.undoes, made)
    restored = []
    for earlier in before:
        replaced = [present[placement.id] for placement in made if earlier.id in placement.replaces]
        revision_id = inspections[earlier.inspection_id].revision_id
        restored.append({**_restored(earlier, replaced), "revision_id": revision_id, "move_id": body.id})
    await append(connection, placements, restored, caller)
    await show_anew(connection, inspections.keys(), {placement.digest for placement in (*made, *before)})
    return _items(body, made, before)


def _present_ids(
    move_id: UUID, made: Sequence[PlacementRow], recorded: Sequence[PlacementRow]
) -> dict[UUID, UUID]:
    """By id of a placement that the move made the id of the one that stands for it now: its own, or that of
    the placement by which the undoing of a later move restored it."""
    heads = {
        head.id
        for head in standing_placements(
            Placement(placement.id, placement.sighting_id, placement.place, placement.replaces)
            for placement in recorded
        )
    }
    later: dict[UUID, list[PlacementRow]] = {}
    for placement in recorded:
        for replaced in placement.replaces:
            later.setdefault(replaced, []).append(placement)
    present = {placement.id: _present_id(placement, later, heads) for placement in made}
    moved = sorted({placement.digest for placement in made if present[placement.id] is None})
    if moved:
        raise Conflict(
            f"{len(moved)} of the pictures of move {move_id} have been moved since.",
            next_step="Look at the history again: undo the later move first, or move the pictures.",
            errors=[ProblemError(detail="moved since", path=digest) for digest in moved[:100]],
        )
    return {made_id: head for made_id, head in present.items() if head is not None}


def _present_id(
    placement: PlacementRow, later: Mapping[UUID, Sequence[PlacementRow]], heads: Collection[UUID]
) -> UUID | None:
    return next((equal.id for equal in _equals(placement, later) if equal.id in heads), None)


def _equals(placement: PlacementRow, later: Mapping[UUID, Sequence[PlacementRow]]) -> Iterator[PlacementRow]:
    """The placement itself, and every placement that restored it when a move that replaced it was undone."""
    yield placement
    for moved in later.get(placement.id, ()):
        for equal in _equals(moved, later) if moved.move_id is not None else ():
            for back in later.get(equal.id, ()):
                if back.undoes == moved.move_id and _content(back) == _content(placement):
                    yield from _equals(back, later)


def _content(placement: PlacementRow) -> dict[str, Any]:
    return {name: getattr(placement, name) for name in CONTENT}


def _refuse_from_nowhere(move_id: UUID, made: Sequence[PlacementRow]) -> None:
    loose = sorted({placement.digest for placement in made if not placement.replaces})
    if loose:
        raise Conflict(
            f"{len(loose)} of the pictures of move {move_id} stood at no inspection before it.",
            next_step="Move the pictures to where they belong instead; a picture that stands somewhere stays "
            "in a history.",
            errors=[ProblemError(detail="stood nowhere before", path=digest) for digest in loose[:100]],
        )


def _restored(earlier: PlacementRow, replaced: list[UUID]) -> dict[str, Any]:
    identity = {"id": new_id(), "sighting_id": earlier.sighting_id, "replaces": replaced}
    return {**identity, **_content(earlier)}


def _items(
    body: MoveIn, made: Sequence[PlacementRow], before: Sequence[PlacementRow]
) -> list[dict[str, Any]]:
    """From where to where each picture goes back."""
    ways = Counter(
        (earlier.digest, placement.place, earlier.place)
        for earlier in before
        for placement in made
        if earlier.id in placement.replaces
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

"""A move shows pictures at another place: a fact with a reason, seen in both histories (I12)."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.campaigns.actions.settling import changing
from service.campaigns.rules import Inspection
from service.campaigns.store.inspections import inspections_by_id
from service.campaigns.store.places import unit_images_by_id
from service.contract.cards import PICTURES
from service.contract.problem import ProblemError
from service.contract.records import Move, MovedPicture, MoveIn, MoveTarget
from service.contract.wire import new_id
from service.database import Database, Row, storable
from service.errors import Conflict, Invalid, NotAllowed, NotFound
from service.facts.store import append, append_one, recorded_so
from service.intake.actions.undoing import ends_of, undo
from service.intake.store import moving as store
from service.intake.store.moving import PlacementRow
from service.intake.store.showing import show_anew
from service.intake.store.tables import picture_moves, placements
from service.walls import read_across_sites


@dataclass(frozen=True, slots=True)
class _Going:
    """One picture on its way: `row` is its row in unit_images, `loose` else a sighting that stands nowhere.

    `replaced` are the placements that stand for the picture where it is now.
    """

    digest: str
    row: Row | None
    replaced: Sequence[PlacementRow]
    loose: Row | None = None


async def move_pictures(db: Database, caller: Caller, body: MoveIn) -> Move:
    """Show pictures at another inspection, location or element; earlier placements are kept but replaced.

    Raises NotAllowed unless the caller may move pictures at both ends, Conflict where a picture no longer
    stands where the caller saw it. The same move again answers the recorded one; a further move with
    `undoes` undoes it.
    """
    caller.must(Act.MOVE_PICTURE)
    if caller.account_id is None:
        raise NotAllowed("An agent does not move pictures: a person does, signed in.")
    order = _order(body)
    async with db.begin() as connection:
        # What the caller may move is judged by both ends of each picture, which may be of two sites.
        await read_across_sites(connection)
        ends = await _ends(connection, caller, body)
        if not await recorded_so(connection, picture_moves, order, f"Move {body.id}"):
            async with changing(connection, ends) as inspections:
                # The same request may have been carried out while this one waited for the inspections.
                if not await recorded_so(connection, picture_moves, order, f"Move {body.id}"):
                    await _move(connection, caller, body, order, inspections)
        return shown_move(await store.move_rows(connection, [body.id]))


def _order(body: MoveIn) -> dict[str, Any]:
    """The fact that a person ordered this; the digest of the request stands for its pictures and places."""
    sha256 = hashlib.sha256(msgspec.json.encode(body)).hexdigest()
    return {"id": body.id, "request_sha256": sha256, "reason": storable(body.reason), "undoes": body.undoes}


async def _ends(connection: AsyncConnection, caller: Caller, body: MoveIn) -> set[UUID]:
    """The inspections that pictures leave or reach. The caller's sites are checked before any answer."""
    ends = {row["inspection_id"] for row in await _pictures_seen(connection, caller, body)}
    if body.to is not None:
        ends.add(body.to.inspection_id)
    if body.undoes is not None:
        ends |= await ends_of(connection, body.undoes)
    for inspection in (await inspections_by_id(connection, ends)).values():
        caller.must(Act.MOVE_PICTURE, inspection.site)
    return ends


async def _pictures_seen(connection: AsyncConnection, caller: Caller, body: MoveIn) -> list[Row]:
    """The pictures that stand at the caller's sites. One of another site is as one that stands nowhere: its
    id follows from its digest."""
    rows = await unit_images_by_id(connection, body.pictures)
    inspections = await inspections_by_id(connection, {row["inspection_id"] for row in rows})
    return [row for row in rows if caller.at(inspections[row["inspection_id"]].site)]


async def _move(
    connection: AsyncConnection,
    caller: Caller,
    body: MoveIn,
    order: Mapping[str, Any],
    inspections: Mapping[UUID, Inspection],
) -> None:
    if body.undoes is None:
        to = _checked_target(body, inspections)
        going = await _shown_pictures(connection, caller, body) + await _loose_sightings(
            connection, caller, body
        )
    if not await append_one(connection, picture_moves, order, caller, f"Move {body.id}"):
        raise Conflict(
            f"Move {body.id} is being recorded by another request.", next_step="Repeat the request."
        )
    if body.undoes is not None:
        await store.insert_move_items(connection, await undo(connection, caller, body, inspections))
        return
    items = [_item(body.id, to, ordinal, picture) for ordinal, picture in enumerate(going)]
    await store.insert_move_items(connection, items)
    made = {"move_id": body.id, "revision_id": inspections[to.inspection_id].revision_id}
    await append(connection, placements, _moved_placements(to, going, made), caller)
    await show_anew(connection, inspections.keys(), {picture.digest for picture in going})


def _checked_target(body: MoveIn, inspections: Mapping[UUID, Inspection]) -> MoveTarget:
    if body.to is None or not (body.pictures or body.sightings):
        raise Invalid(
            "The move names no place." if body.to is None else "The move names no picture.",
            next_step="Name pictures of a history, or sightings, and where they belong.",
        )
    inspection = inspections.get(body.to.inspection_id)
    if inspection is None:
        raise NotFound(
            f"There is no inspection {body.to.inspection_id}.",
            next_step="Pick the inspection from a campaign.",
        )
    if body.to.location is not None and body.to.location not in inspection.keys:
        raise Invalid(
            f"The inspection has no location {body.to.location}.",
            next_step="Pick a location of the plan revision the inspection is bound to.",
        )
    if body.to.location is None and body.to.element is not None:
        raise Invalid("An element needs a location.", next_step="Name the location the element is at.")
    return body.to


async def _shown_pictures(connection: AsyncConnection, caller: Caller, body: MoveIn) -> list[_Going]:
    rows = await _pictures_seen(connection, caller, body)
    gone = sorted(set(body.pictures) - {row["id"] for row in rows})
    if gone:
        raise Conflict(
            f"{len(gone)} of the pictures no longer stand where they were seen.",
            next_step="Look at the history again; somebody may have moved them meanwhile.",
            errors=[
                ProblemError(detail="no such picture in any history", path=str(picture_id))
                for picture_id in gone[:100]
            ],
        )
    replaced = await store.placements_standing_at(connection, [row["id"] for row in rows])
    return [_Going(row["digest"], row, replaced[row["id"]]) for row in rows]


async def _loose_sightings(connection: AsyncConnection, caller: Caller, body: MoveIn) -> list[_Going]:
    rows = await store.sightings_by_id(connection, body.sightings)
    visible = {row["id"] for row in rows if caller.at(row["site"])}
    unknown = sorted(set(body.sightings) - visible)
    if unknown:
        raise NotFound(f"There is no sighting {unknown[0]} at your sites.")
    unfit = [row for row in rows if row["stands"] or row["kind"] not in PICTURES]
    if unfit:
        raise Invalid(
            f"{len(unfit)} of the files stand in a history already, or are no pictures.",
            next_step="Move a picture that stands somewhere by its id in the history.",
            errors=[
                ProblemError(detail="stands already, or is no picture", path=str(row["id"])) for row in unfit
            ],
        )
    return [_Going(row["digest"], None, (), row) for row in rows]


def _item(move_id: UUID, to: MoveTarget, ordinal: int, picture: _Going) -> dict[str, Any]:
    row = picture.row
    return {
        "move_id": move_id,
        "ordinal": ordinal,
        "digest": picture.digest,
        "sightings": len(picture.replaced) if row is not None else 1,
        "from_inspection_id": row["inspection_id"] if row is not None else None,
        "from_location_key": (row["location_key"] or None) if row is not None else None,
        "from_element": (row["element"] or None) if row is not None else None,
        "to_inspection_id": to.inspection_id,
        "to_location_key": to.location,
        "to_element": to.element,
    }


def _moved_placements(
    to: MoveTarget, going: Sequence[_Going], made: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """One placement per sighting, which replaces every one that stands and that the move takes away; `made`
    says by which move and under which revision."""
    replaced: dict[UUID, list[PlacementRow]] = {}
    for picture in going:
        for placement in picture.replaced:
            replaced.setdefault(placement.sighting_id, []).append(placement)
        if picture.loose is not None:
            replaced.setdefault(picture.loose["id"], [])
    return [
        {**_moved_placement(to, sighting_id, earlier), **made} for sighting_id, earlier in replaced.items()
    ]


def _moved_placement(to: MoveTarget, sighting_id: UUID, replaced: Sequence[PlacementRow]) -> dict[str, Any]:
    return {
        "id": new_id(),
        "sighting_id": sighting_id,
        "inspection_id": to.inspection_id,
        "location_key": to.location,
        "element": to.element,
        "element_last": to.element_last,
        **_words(replaced[0] if replaced else None),
        "rule": "by_hand",
        "confidence": 1.0,
        "replaces": [placement.id for placement in replaced],
    }


def _words(earlier: PlacementRow | None) -> dict[str, Any]:
    """What was said of the picture: a move changes where it stands, not what was seen in it.

    The note of a slate that left the location open only says why; the move settles that, so it is dropped.
    """
    if earlier is None:
        return dict.fromkeys(("evaluation", "condition", "note"))
    note = None if _is_open(earlier) else earlier.note
    return {"evaluation": earlier.evaluation, "condition": earlier.condition, "note": note}


def _is_open(placement: PlacementRow) -> bool:
    return placement.rule == "slate" and placement.location_key is None


def shown_move(rows: Sequence[Row]) -> Move:
    first = rows[0]
    return Move(
        id=first["id"],
        reason=first["reason"],
        by=first["by"],
        recorded_at=first["recorded_at"],
        pictures=[_moved_picture(row) for row in rows],
        undoes=first["undoes"],
        undone_by=first["undone_by"],
    )


def _moved_picture(row: Row) -> MovedPicture:
    renamed = {"from_location": row["from_location_key"], "to_location": row["to_location_key"]}
    same = {name: row[name] for name in MovedPicture.__struct_fields__ if name not in renamed}
    return MovedPicture(**same, **renamed)

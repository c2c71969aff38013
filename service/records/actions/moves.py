"""The moves of pictures in the history of a unit."""

from __future__ import annotations

from uuid import UUID

from service.access.rules import Act, Caller
from service.contract.records import Move
from service.database import Database, Row
from service.intake.actions.moves import shown_move
from service.intake.store import moving
from service.records.actions.units import visible_unit


async def moves_of_unit(
    db: Database, caller: Caller, serial: str, before: UUID | None, limit: int
) -> list[Move]:
    """Moves of pictures from or to a unit the caller may see, the newest id first, below `before`. Who had
    the unit at his site once sees those from or to its inspections there, as in the history."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        unit = await visible_unit(connection, caller, serial)
        held_at = None if caller.at(unit["site"]) else caller.sites
        move_ids = await moving.moves_of_unit(connection, unit["id"], held_at, before, limit)
        rows = await moving.move_rows(connection, move_ids) if move_ids else []
    by_move: dict[UUID, list[Row]] = {}
    for row in rows:
        by_move.setdefault(row["id"], []).append(row)
    return [shown_move(by_move[move_id]) for move_id in move_ids]

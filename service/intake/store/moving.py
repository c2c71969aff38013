"""SQL of moves of pictures."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, fields
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.campaigns.store.tables import inspections, unit_images
from service.database import Row, serialise
from service.facts.store import standing
from service.intake.rules.placing import Place
from service.intake.store.tables import card_returns, picture_move_items, picture_moves, placements, sightings
from service.units.store import units


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacementRow:
    """A recorded placement with the digest of its image.

    `location_key` None: at the inspection, location not known. `move_id` is the move that made the placement,
    `undoes` the earlier move that this one undoes.
    """

    id: UUID
    sighting_id: UUID
    digest: str
    inspection_id: UUID
    location_key: str | None
    claimed_key: str | None
    claimed_element: int | None
    element: int | None
    element_last: int | None
    evaluation: str | None
    condition: str | None
    note: str | None
    rule: str
    confidence: float
    move_id: UUID | None
    undoes: UUID | None
    replaces: frozenset[UUID]

    @property
    def place(self) -> Place:
        return Place(self.inspection_id, self.location_key or "", self.element or 0)


_MEMBERS = tuple(field.name for field in fields(PlacementRow))
_PLACEMENTS = (
    sa.select(placements, sightings.c.digest, picture_moves.c.undoes)
    .join(sightings, sightings.c.id == placements.c.sighting_id)
    .outerjoin(picture_moves, picture_moves.c.id == placements.c.move_id)
)


def _placement_row(row: Row) -> PlacementRow:
    members = {name: row[name] for name in _MEMBERS}
    return PlacementRow(**{**members, "replaces": frozenset(row["replaces"])})


async def insert_move_items(connection: AsyncConnection, rows: Sequence[dict[str, Any]]) -> None:
    await connection.execute(picture_move_items.insert(), rows)


async def placements_of_images(connection: AsyncConnection, digests: Iterable[str]) -> list[PlacementRow]:
    """Every placement of every sighting of these images."""
    found = await connection.execute(_PLACEMENTS.where(sightings.c.digest.in_(list(digests))))
    return [_placement_row(row) for row in found.mappings()]


async def placements_of_move(
    connection: AsyncConnection, move_id: UUID
) -> tuple[list[PlacementRow], list[PlacementRow]]:
    """The placements that a move made, and those that they replaced, both by id."""
    made = placements.alias("made")
    replaced = sa.select(sa.func.unnest(made.c.replaces)).where(made.c.move_id == move_id)
    query = _PLACEMENTS.order_by(placements.c.id)
    by_move = await connection.execute(query.where(placements.c.move_id == move_id))
    before = await connection.execute(query.where(placements.c.id.in_(replaced)))
    return (
        [_placement_row(row) for row in by_move.mappings()],
        [_placement_row(row) for row in before.mappings()],
    )


async def placements_standing_at(
    connection: AsyncConnection, shown_ids: Sequence[UUID]
) -> dict[UUID, list[PlacementRow]]:
    """By row of a history the placements that stand for its image at its place."""
    at = unit_images.c
    here = (
        (placements.c.inspection_id == at.inspection_id)
        & (sa.func.coalesce(placements.c.location_key, "") == at.location_key)
        & (sa.func.coalesce(placements.c.element, 0) == at.element)
    )
    query = (
        _PLACEMENTS.add_columns(at.id.label("shown_id"))
        .join(unit_images, (unit_images.c.digest == sightings.c.digest) & here)
        .where(at.id.in_(shown_ids), standing(placements))
        .order_by(placements.c.sighting_id, placements.c.id)
    )
    found: dict[UUID, list[PlacementRow]] = {shown_id: [] for shown_id in shown_ids}
    for row in (await connection.execute(query)).mappings():
        found[row["shown_id"]].append(_placement_row(row))
    return found


async def sightings_by_id(connection: AsyncConnection, sighting_ids: Iterable[UUID]) -> Sequence[Row]:
    """Sightings with their site and whether any placement stands; until the transaction ends no other moves
    sightings of the same card returns."""
    here = sightings.c.id.in_(list(sighting_ids))
    # Statements of their own take the locks: the next one then sees what other transactions wrote meanwhile.
    # No lock of rows: that needs leave to change them, which nobody has.
    returns = sa.select(sightings.c.card_return_id).distinct().where(here)
    for return_id in sorted(await connection.scalars(returns)):
        await serialise(connection, f"sightings of {return_id}")
    found = await connection.execute(
        sa.select(
            sightings,
            sites.c.code.label("site"),
            sa.exists()
            .where(placements.c.sighting_id == sightings.c.id, standing(placements))
            .label("stands"),
        )
        .join(card_returns, card_returns.c.id == sightings.c.card_return_id)
        .join(sites, sites.c.id == card_returns.c.site_id)
        .where(here)
        .order_by(sightings.c.id)
    )
    return found.mappings().all()


async def move_rows(connection: AsyncConnection, move_ids: Collection[UUID]) -> Sequence[Row]:
    """The pictures of moves, each with its move, who made it, and the serials of both units."""
    origin, target = inspections.alias("origin"), inspections.alias("target")
    from_unit, to_unit = units.alias("from_unit"), units.alias("to_unit")
    later = picture_moves.alias("later")
    # There is at most one: after it the placements of the move no longer stand.
    undone_by = sa.select(later.c.id).where(later.c.undoes == picture_moves.c.id).scalar_subquery()
    found = await connection.execute(
        sa.select(
            picture_moves,
            picture_move_items,
            picture_moves.c.by_name.label("by"),
            from_unit.c.serial.label("from_unit"),
            to_unit.c.serial.label("to_unit"),
            undone_by.label("undone_by"),
        )
        .join(picture_move_items, picture_move_items.c.move_id == picture_moves.c.id)
        .join(target, target.c.id == picture_move_items.c.to_inspection_id)
        .join(to_unit, to_unit.c.id == target.c.unit_id)
        .outerjoin(origin, origin.c.id == picture_move_items.c.from_inspection_id)
        .outerjoin(from_unit, from_unit.c.id == origin.c.unit_id)
        .where(picture_moves.c.id.in_(list(move_ids)))
        .order_by(picture_moves.c.id, picture_move_items.c.ordinal)
    )
    return found.mappings().all()


async def moves_of_unit(
    connection: AsyncConnection,
    unit_id: UUID,
    site_codes: Collection[str] | None,
    before: UUID | None,
    limit: int,
) -> list[UUID]:
    """Ids of moves from or to a unit's inspections (those carried out at these sites), the newest first."""
    of_unit = sa.select(inspections.c.id).where(inspections.c.unit_id == unit_id)
    if site_codes is not None:
        of_unit = of_unit.join(sites, sites.c.id == inspections.c.site_id).where(sites.c.code.in_(site_codes))
    item = picture_move_items.c
    query = (
        sa.select(item.move_id)
        .where(item.from_inspection_id.in_(of_unit) | item.to_inspection_id.in_(of_unit))
        .distinct()
        .order_by(item.move_id.desc())
        .limit(limit)
    )
    if before is not None:
        query = query.where(item.move_id < before)
    return list(await connection.scalars(query))

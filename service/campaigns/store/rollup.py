"""SQL of the completion roll-up: kept by differences, held against a recount."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.campaigns.rules import COLUMN_OF, COLUMNS, Counts, delta
from service.campaigns.store import campaigns, completion, inspection_locations, inspections
from service.database import Row
from service.plans.store import equipment_types

# campaign, site, equipment type
RollupKey = tuple[UUID, UUID, UUID]


async def lock_rows(connection: AsyncConnection, keys: Collection[RollupKey]) -> None:
    """Lock roll-up rows in ascending key, for a transaction that will add to them in several steps.

    One row needs no lock ahead: it cannot be taken in two orders.
    """
    if len(keys) > 1:
        columns = (completion.c.campaign_id, completion.c.site_id, completion.c.type_id)
        query = sa.select(*columns).where(sa.tuple_(*columns).in_(sorted(keys))).order_by(*columns)
        await connection.execute(query.with_for_update(key_share=True))


async def add_to_completion(connection: AsyncConnection, changes: Mapping[RollupKey, Counts]) -> None:
    """Add to the roll-up, in ascending key; rows that are lacking are made."""
    for key in sorted(changes):
        if changes[key] == Counts():
            continue
        values = dict(zip(("campaign_id", "site_id", "type_id"), key, strict=True))
        added = insert(completion).values(**values, **asdict(changes[key]))
        await connection.execute(
            added.on_conflict_do_update(
                index_elements=list(values),
                set_={name: completion.c[name] + added.excluded[name] for name in COLUMNS},
            )
        )


async def completion_rows(
    connection: AsyncConnection,
    *,
    campaign_ids: Collection[UUID] | None = None,
    site_codes: Collection[str] | None = None,
    type_code: str | None = None,
) -> Sequence[Row]:
    """The roll-up by campaign, site and type; reads no inspection."""
    query = (
        sa.select(
            completion,
            campaigns.c.name.label("campaign"),
            campaigns.c.closed_at,
            sites.c.code.label("site"),
            equipment_types.c.code.label("equipment_type"),
        )
        .join(campaigns, campaigns.c.id == completion.c.campaign_id)
        .join(sites, sites.c.id == completion.c.site_id)
        .join(equipment_types, equipment_types.c.id == completion.c.type_id)
        .order_by(campaigns.c.opens.desc(), campaigns.c.name, sites.c.code, equipment_types.c.code)
    )
    if campaign_ids is not None:
        query = query.where(completion.c.campaign_id.in_(campaign_ids))
    if site_codes is not None:
        query = query.where(sites.c.code.in_(site_codes))
    if type_code is not None:
        query = query.where(equipment_types.c.code == type_code)
    return (await connection.execute(query)).mappings().all()


def _per_inspection() -> sa.Subquery:
    """`rules.inspection_standing` said again in SQL, so that the two can be held against each other."""
    at = inspection_locations.c
    owed = at.bound & at.applicable
    states = {
        column: sa.func.count().filter(owed & (at.state == state)) for state, column in COLUMN_OF.items()
    }
    number = sa.func.count().filter(owed)
    return (
        sa.select(
            at.inspection_id,
            sa.cast(number > 0, sa.Integer)
            .op("*")(sa.cast(states["complete"] + states["omitted"] == number, sa.Integer))
            .label("inspections_complete"),
            number.label("locations"),
            *(expression.label(column) for column, expression in states.items()),
            sa.func.count().filter(at.bound & ~at.applicable).label("not_applicable"),
            *(
                sa.func.coalesce(sa.func.sum(at[name]).filter(owed), 0).label(name)
                for name in ("pictures_required", "pictures_held")
            ),
        )
        .group_by(at.inspection_id)
        .subquery()
    )


async def counts_of(connection: AsyncConnection, inspection_ids: Collection[UUID]) -> dict[UUID, Counts]:
    """The counts of each inspection, from its locations."""
    each = _per_inspection()
    query = sa.select(each).where(each.c.inspection_id.in_(inspection_ids))
    found = dict.fromkeys(inspection_ids, Counts(inspections=1))
    for row in (await connection.execute(query)).mappings():
        found[row["inspection_id"]] = Counts(
            inspections=1, **{name: row[name] for name in COLUMNS if name != "inspections"}
        )
    return found


async def recount(connection: AsyncConnection, campaign_id: UUID | None = None) -> dict[RollupKey, Counts]:
    """The roll-up counted anew from every location; slow at fleet size, for checks only."""
    each = _per_inspection()
    key = (inspections.c.campaign_id, inspections.c.site_id, inspections.c.type_id)
    sums = [
        sa.cast(sa.func.coalesce(sa.func.sum(each.c[name]), 0), sa.BigInteger).label(name)
        for name in COLUMNS
        if name != "inspections"
    ]
    query = (
        sa.select(*key, sa.func.count().label("inspections"), *sums)
        .outerjoin(each, each.c.inspection_id == inspections.c.id)
        .group_by(*key)
    )
    if campaign_id is not None:
        query = query.where(inspections.c.campaign_id == campaign_id)
    return {
        (row["campaign_id"], row["site_id"], row["type_id"]): Counts(**{name: row[name] for name in COLUMNS})
        for row in (await connection.execute(query)).mappings()
    }


async def use_one_snapshot(connection: AsyncConnection) -> None:
    """To be called first in a transaction that compares: all of it then sees one instant."""
    await connection.execute(sa.text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY"))


async def completion_drift(
    connection: AsyncConnection, campaign_id: UUID | None = None
) -> dict[RollupKey, Counts]:
    """What the roll-up would have to be corrected by, per key; empty when it equals a recount.

    Call it after `use_one_snapshot`, or while nothing is written.
    """
    kept = {
        (row["campaign_id"], row["site_id"], row["type_id"]): Counts(**{name: row[name] for name in COLUMNS})
        for row in await completion_rows(
            connection, campaign_ids=None if campaign_id is None else [campaign_id]
        )
    }
    counted = await recount(connection, campaign_id)
    changes = {
        key: delta(kept.get(key, Counts()), counted.get(key, Counts()))
        for key in kept.keys() | counted.keys()
    }
    return {key: change for key, change in changes.items() if change != Counts()}

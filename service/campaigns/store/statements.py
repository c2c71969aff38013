"""SQL of what is appended about an inspection: statements and bindings."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.campaigns.store.tables import bindings, statements
from service.database import Row
from service.facts.store import standing
from service.plans.store import plan_revisions


async def statements_of(
    connection: AsyncConnection, inspection_ids: Collection[UUID]
) -> dict[UUID, list[Row]]:
    """Every statement of each inspection with its speaker, in the order the service recorded them."""
    query = (
        sa.select(
            *(column for column in statements.c if column is not statements.c.stated_by),
            sa.func.coalesce(statements.c.stated_by, statements.c.by_name).label("stated_by"),
            sa.case((statements.c.account_id.is_not(None), statements.c.by_name)).label("account"),
            sa.case((statements.c.agent_id.is_not(None), statements.c.by_name)).label("agent"),
        )
        .where(statements.c.inspection_id.in_(inspection_ids))
        .order_by(statements.c.number)
    )
    found: dict[UUID, list[Row]] = {key: [] for key in inspection_ids}
    for row in (await connection.execute(query)).mappings():
        found[row["inspection_id"]].append(row)
    return found


async def bindings_of(connection: AsyncConnection, inspection_id: UUID) -> Sequence[Row]:
    """How the inspection came to its revision, the oldest first: its lock keeps their numbers in order."""
    query = (
        sa.select(bindings, bindings.c.by_name.label("by"), plan_revisions.c.label.label("revision"))
        .join(plan_revisions, plan_revisions.c.id == bindings.c.revision_id)
        .where(bindings.c.inspection_id == inspection_id)
        .order_by(bindings.c.number)
    )
    return (await connection.execute(query)).mappings().all()


async def standing_bindings(
    connection: AsyncConnection, inspection_ids: Collection[UUID]
) -> dict[UUID, UUID]:
    """The revision that each inspection is bound to, from the facts."""
    query = (
        sa.select(bindings.c.inspection_id, bindings.c.revision_id)
        .where(bindings.c.inspection_id.in_(inspection_ids), standing(bindings))
        .order_by(bindings.c.number)
    )
    return {row.inspection_id: row.revision_id for row in await connection.execute(query)}

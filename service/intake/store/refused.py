"""SQL of statements that came with a card and were not taken, and of what people made of them."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.campaigns.store.tables import inspections
from service.database import Row, belongs_to_site, json, reference, text
from service.facts.store import fact_table
from service.units.store import units

# `statement` is what was sent; `inspection_id` stands in it and may be unknown here: no foreign key.
refused_statements = fact_table(
    "refused_statements",
    reference("card_return_id", "card_returns.id", index=True),
    sa.Column("inspection_id", sa.UUID(as_uuid=True), nullable=False, index=True),
    json("statement"),
    text("why"),
    text("next_step", nullable=True),
)

# How a person dealt with one, once. `statement_id`: what was stated in its place; NULL: it was dismissed.
refusals_settled = fact_table(
    "refusals_settled",
    reference("refused_id", "refused_statements.id", unique=True),
    reference("statement_id", "statements.id", nullable=True),
    text("reason"),
)

belongs_to_site(refused_statements, "card_return_id", "site_id")
belongs_to_site(refusals_settled, "refused_id", "card_return_id", "site_id")


def refused_of(card_returns: sa.Table) -> sa.ColumnElement[list[Any]]:
    """The refused statements of a card return in the order they were recorded, as the wire has them."""
    at, done = refused_statements.c, refusals_settled.c
    settled = sa.func.jsonb_build_object(
        "id", done.id, "statementId", done.statement_id, "reason", done.reason, "by", done.by_name,
        "recordedAt", done.recorded_at,
    )  # fmt: skip
    shown = sa.func.jsonb_build_object(
        "id", at.id, "statement", at.statement, "unit", units.c.serial, "why", at.why,
        "nextStep", at.next_step, "recordedAt", at.recorded_at,
        "settled", sa.case((done.id.is_(None), None), else_=settled),
    )  # fmt: skip
    ordered = sa.func.jsonb_agg(sa.dialects.postgresql.aggregate_order_by(shown, at.id))
    return (
        sa.select(sa.func.coalesce(ordered, sa.text("'[]'::jsonb")))
        .select_from(refused_statements)
        .outerjoin(refusals_settled, done.refused_id == at.id)
        # The serial of a unit that another site inspects is not shown here.
        .outerjoin(
            inspections,
            (inspections.c.id == at.inspection_id) & (inspections.c.site_id == card_returns.c.site_id),
        )
        .outerjoin(units, units.c.id == inspections.c.unit_id)
        .where(at.card_return_id == card_returns.c.id)
        .correlate(card_returns)
        .scalar_subquery()
        .label("refused")
    )


async def refused(connection: AsyncConnection, return_id: UUID, refused_id: UUID) -> Row | None:
    at = refused_statements.c
    query = sa.select(refused_statements).where(at.id == refused_id, at.card_return_id == return_id)
    return (await connection.execute(query)).mappings().one_or_none()


async def settlement(connection: AsyncConnection, refused_id: UUID) -> Row | None:
    query = sa.select(refusals_settled).where(refusals_settled.c.refused_id == refused_id)
    return (await connection.execute(query)).mappings().one_or_none()

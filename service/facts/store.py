"""The one gate through which facts enter, and what stands of them in SQL.

A table of facts is declared with `fact_table`; its rows are written by `append` alone, and never changed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.database import (
    Row,
    id_column,
    ids,
    insert_rows,
    kept_for_ever,
    metadata,
    moment,
    reference,
    server_now,
    text,
)
from service.errors import Conflict

# One order over the facts of all tables, as the database took them in. It decides nothing (I4): it lists.
NEXT_NUMBER = sa.text("nextval('fact_numbers')")

# A fact as it is handed in: its id, subject, content and what it replaces, by column.
NewFact = Mapping[str, Any]


class Who(Protocol):
    """The person or agent who makes a fact. `name` is kept as it is that day."""

    @property
    def account_id(self) -> UUID | None: ...

    @property
    def agent_id(self) -> UUID | None: ...

    @property
    def name(self) -> str: ...


def fact_table(name: str, subject: sa.Column[Any] | None, *content: sa.schema.SchemaItem) -> sa.Table:
    """A table of facts about `subject`, with the columns that every fact has.

    `replaces`: ids of facts about the same subject. `account_id`, `agent_id`, `by_name`: who made it; all
    NULL, the service itself. `card_return_id`: the card return that it came with; which of those there are
    is no business of the contexts below intake, so no foreign key says so.
    """
    kernel = [
        sa.Column("number", sa.BigInteger, nullable=False, server_default=NEXT_NUMBER),
        ids("replaces", server_default="{}"),
        reference("account_id", "accounts.id", nullable=True),
        reference("agent_id", "agents.id", nullable=True),
        text("by_name", nullable=True),
        moment("recorded_at"),
    ]
    if subject is None or subject.name != "card_return_id":
        kernel.insert(-1, sa.Column("card_return_id", sa.UUID(as_uuid=True)))
    columns = [item for item in content if isinstance(item, sa.Column)]
    if subject is not None:
        columns.insert(0, subject)
    names = (*(column.name for column in columns), "replaces")
    return sa.Table(
        name,
        metadata,
        id_column(),
        *columns,
        *kernel,
        *(item for item in content if not isinstance(item, sa.Column)),
        info={
            **kept_for_ever(),
            "subject": subject.name if subject is not None else None,
            "content": names,
        },
    )


@dataclass(frozen=True, slots=True)
class Appended:
    """The ids that were new, and those under which the table keeps other content."""

    new: frozenset[UUID]
    differing: frozenset[UUID]


async def append(
    connection: AsyncConnection,
    table: sa.Table,
    facts: Sequence[NewFact],
    by: Who | None,
    *,
    card_return_id: UUID | None = None,
    at: datetime | None = None,
) -> Appended:
    """Append facts; one whose id is recorded already is left as it is, and compared (I8).

    `at` is the time of record, now unless the caller needs one for several tables. Ids have to differ
    among `facts`.
    """
    kernel: dict[str, Any] = {"recorded_at": at or server_now(), "replaces": []}
    if by is not None:
        kernel |= {"account_id": by.account_id, "agent_id": by.agent_id, "by_name": by.name}
    if card_return_id is not None:
        kernel["card_return_id"] = card_return_id
    rows = [{**kernel, **fact} for fact in facts]
    returned = await insert_rows(
        connection, table, rows, "ON CONFLICT (id) DO NOTHING RETURNING id", but=("number",)
    )
    new = frozenset(row["id"] for row in returned)
    repeated = {fact["id"]: fact for fact in facts if fact["id"] not in new}
    if not repeated:
        return Appended(new, frozenset())
    kept = await recorded(connection, table, repeated)
    return Appended(
        new,
        frozenset(
            fact_id
            for fact_id, fact in repeated.items()
            # A fact that the transaction does not see is one of another site.
            if fact_id not in kept or not same(table, kept[fact_id], fact)
        ),
    )


async def append_one(
    connection: AsyncConnection, table: sa.Table, fact: NewFact, by: Who | None, what: str
) -> bool:
    """As `append`, for one fact: True when it was new; raises Conflict, naming it as `what`, when its id
    stands for other content."""
    appended = await append(connection, table, [fact], by)
    if appended.differing:
        raise recorded_otherwise(what)
    return bool(appended.new)


async def recorded(connection: AsyncConnection, table: sa.Table, fact_ids: Iterable[UUID]) -> dict[UUID, Row]:
    """The facts that are recorded under these ids."""
    query = sa.select(table).where(table.c.id.in_(list(fact_ids)))
    return {row["id"]: row for row in (await connection.execute(query)).mappings()}


def same(table: sa.Table, kept: Row, fact: NewFact) -> bool:
    """Whether a recorded fact has the content of this one; who made it and when is not compared."""
    content = {"replaces": [], **fact}
    return all(kept[name] == content.get(name) for name in table.info["content"])


async def recorded_so(connection: AsyncConnection, table: sa.Table, fact: NewFact, what: str) -> bool:
    """Whether this very fact is recorded; raises Conflict, naming it as `what`, when its id stands for other
    content."""
    kept = await recorded(connection, table, [fact["id"]])
    if kept and not same(table, kept[fact["id"]], fact):
        raise recorded_otherwise(what)
    return bool(kept)


def recorded_otherwise(what: str) -> Conflict:
    return Conflict(
        f"{what} is already recorded with other content.",
        next_step="Repeat the request as it was, or record the new one under a new id.",
    )


def stands(table: sa.Table, fact: str | None = None) -> str:
    """SQL: whether the fact in the row named `fact` stands (service.facts.rules.standing).

    Nothing about its subject replaces it; or all that does, directly or through others, it replaces too.
    """
    name, subject = table.name, table.info["subject"]
    fact = fact or name
    return f"""(NOT EXISTS (
        SELECT FROM {name} later_fact
        WHERE later_fact.{subject} = {fact}.{subject} AND {fact}.id = ANY(later_fact.replaces)
          AND later_fact.id <> {fact}.id)
    OR NOT EXISTS (
        WITH RECURSIVE later (id) AS (
            SELECT later_fact.id FROM {name} later_fact
            WHERE later_fact.{subject} = {fact}.{subject} AND {fact}.id = ANY(later_fact.replaces)
            UNION
            SELECT later_fact.id FROM later JOIN {name} later_fact
            ON later_fact.{subject} = {fact}.{subject} AND later.id = ANY(later_fact.replaces)
        ), earlier (id) AS (
            SELECT unnest({fact}.replaces)
            UNION
            SELECT unnest(earlier_fact.replaces) FROM earlier JOIN {name} earlier_fact
            ON earlier_fact.{subject} = {fact}.{subject} AND earlier_fact.id = earlier.id
        )
        SELECT FROM later WHERE id <> {fact}.id AND id NOT IN (SELECT id FROM earlier)))"""  # noqa: S608


def standing(table: sa.Table) -> sa.ColumnElement[bool]:
    """`stands` for a query over the table under its own name."""
    return sa.literal_column(stands(table), sa.Boolean)

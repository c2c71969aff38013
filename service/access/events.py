"""SQL of the access log: what happened, and who opened or downloaded which picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeAlias
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import ARRAY, JSONB
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.noting import access_events
from service.database import (
    Row,
    id_column,
    insert_rows,
    metadata,
    moment,
    reference,
    text,
    texts,
    texts_of,
    working,
)

OPENED, DOWNLOADED = "picture_opened", "picture_downloaded"
READS = (OPENED, DOWNLOADED)

# Who opened or downloaded which original. These rows alone of the log have an end: a function of the database
# removes them by age, and takes nothing else. `sites`: where the picture came in, and those of the reader.
picture_reads = sa.Table(
    "picture_reads",
    metadata,
    id_column(),
    text("kind"),
    moment("at"),
    text("digest", index=True),
    reference("by_account_id", "accounts.id", nullable=True),
    reference("by_agent_id", "agents.id", nullable=True),
    text("by_name"),
    texts("sites", nullable=True),
    text("address", nullable=True),
    text("user_agent", nullable=True),
    text("request_id", nullable=True),
    text("route", nullable=True),
    sa.Index("ix_picture_reads_at_id", "at", "id"),
    sa.Index("ix_picture_reads_by_account_id_at", "by_account_id", "at"),
    info=working(ages_by="at"),
)

# A key of the list: time and id of its last row, the newest first.
EventKey: TypeAlias = tuple[datetime, UUID]


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which events are asked for; what is None asks nothing. `account`, `agent`: who did it or to whom it was
    done. `since` is taken in, `until` is not."""

    kind: str | None = None
    account: UUID | None = None
    agent: UUID | None = None
    site: str | None = None
    address: str | None = None
    digest: str | None = None
    since: datetime | None = None
    until: datetime | None = None


async def events_page(
    connection: AsyncConnection,
    wanted: Wanted,
    site_codes: Sequence[str] | None,
    after: EventKey | None,
    limit: int,
) -> list[Row]:
    """Events and reads of pictures, the newest first; `site_codes` keeps those that concern one of these."""
    parts = [_page_of(table, wanted, site_codes, after, limit) for table in _tables_with(wanted)]
    found = sa.union_all(*(sa.select(part) for part in parts)).subquery("found")
    query = sa.select(found).order_by(found.c.at.desc(), found.c.id.desc()).limit(limit)
    return list((await connection.execute(query)).mappings())


def _tables_with(wanted: Wanted) -> list[sa.Table]:
    """The tables in which such events can stand."""
    if wanted.digest is not None or wanted.kind in READS:
        return [picture_reads]
    return [access_events] if wanted.kind is not None else [access_events, picture_reads]


def _page_of(
    table: sa.Table, wanted: Wanted, site_codes: Sequence[str] | None, after: EventKey | None, limit: int
) -> sa.Subquery:
    at = table.c
    query = sa.select(*_columns(table)).order_by(at.at.desc(), at.id.desc()).limit(limit)
    conditions = [*_conditions(table, wanted)]
    if site_codes is not None:
        conditions.append(at.sites.overlap(texts_of(site_codes)))
    if after is not None:
        conditions.append(sa.tuple_(at.at, at.id) < sa.tuple_(*after))
    return query.where(*conditions).subquery()


def _columns(table: sa.Table) -> list[sa.ColumnElement[Any]]:
    """The same columns of both tables; what one of them lacks is NULL, and a read happened once."""
    lacking = {
        "account_id": sa.cast(sa.null(), sa.UUID),
        "agent_id": sa.cast(sa.null(), sa.UUID),
        "concerns": sa.cast(sa.null(), sa.Text),
        "digest": sa.cast(sa.null(), sa.Text),
        "detail": sa.cast(sa.null(), JSONB),
        "times": sa.literal(1, sa.Integer),
    }
    same = ("id", "kind", "at", "by_account_id", "by_agent_id", "by_name", "route")
    more = ("address", "user_agent", "request_id")
    shared = [sa.cast(table.c.sites, ARRAY(sa.Text)).label("sites")]
    named = [table.c[name] for name in (*same, *more)]
    return (
        named
        + shared
        + [table.c[name] if name in table.c else absent.label(name) for name, absent in lacking.items()]
    )


def _conditions(table: sa.Table, wanted: Wanted) -> list[sa.ColumnElement[bool]]:
    at, conditions = table.c, []
    plain = {"kind": wanted.kind, "address": wanted.address, "digest": wanted.digest}
    conditions += [at[name] == value for name, value in plain.items() if value is not None]
    for value, done_by, done_to in (
        (wanted.account, "by_account_id", "account_id"),
        (wanted.agent, "by_agent_id", "agent_id"),
    ):
        if value is not None:
            either = [at[name] == value for name in (done_by, done_to) if name in at]
            conditions.append(sa.or_(*either))
    if wanted.site is not None:
        conditions.append(at.sites.contains([wanted.site]))
    if wanted.since is not None:
        conditions.append(at.at >= wanted.since)
    if wanted.until is not None:
        conditions.append(at.at < wanted.until)
    return conditions


async def insert_reads(connection: AsyncConnection, rows: Sequence[Mapping[str, Any]]) -> None:
    await insert_rows(connection, picture_reads, rows)


async def forget_reads(connection: AsyncConnection, days: int) -> int:
    """Remove up to 10,000 reads of pictures that are older than so many days; how many were."""
    return int(await connection.scalar(sa.text("SELECT forget_picture_reads(:days)"), {"days": days}) or 0)


# Each kind is found by one step down the index, however many events there are of it.
_KINDS = """
WITH RECURSIVE kinds AS (
    (SELECT kind FROM access_events ORDER BY kind LIMIT 1)
    UNION ALL
    SELECT (SELECT event.kind FROM access_events event WHERE event.kind > kinds.kind ORDER BY kind LIMIT 1)
    FROM kinds WHERE kinds.kind IS NOT NULL
)
SELECT kind FROM kinds WHERE kind IS NOT NULL
"""


async def kinds_recorded(connection: AsyncConnection) -> list[str]:
    """The kinds of events of which there is one, and those of reads."""
    return sorted({*await connection.scalars(sa.text(_KINDS)), *READS})

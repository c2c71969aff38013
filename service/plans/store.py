"""SQL of equipment types, builds, plans and their revisions."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
import sqlalchemy as sa
from sqlalchemy.dialects import postgresql
from sqlalchemy.ext.asyncio import AsyncConnection

from service.contract.plan_document import PlanDocument
from service.database import (
    Row,
    id_column,
    json,
    kept_for_ever,
    metadata,
    moment,
    reference,
    text,
    texts,
    working,
)
from service.errors import NotFound
from service.facts.store import fact_table
from service.plans.rules import Event, FoldedRevision, effective_at, fold

equipment_types = sa.Table(
    "equipment_types", metadata, id_column(), text("code", unique=True), text("name"), info=working()
)

builds = sa.Table(
    "builds",
    metadata,
    id_column(),
    reference("type_id", "equipment_types.id"),
    text("code"),
    text("name"),
    sa.UniqueConstraint("type_id", "code"),
    info=working(),
)

plans = sa.Table(
    "plans",
    metadata,
    id_column(),
    text("code", unique=True),
    text("title"),
    reference("type_id", "equipment_types.id"),
    moment("created_at"),
    info=working(),
)

# SQL over the row `old` of plan_revisions: what was effective once never changes (I10).
_EVER_PUBLISHED = """EXISTS (
    SELECT FROM revision_events event WHERE event.revision_id = old.id AND event.kind = 'published')"""

# `document` may change only while the revision is a draft (I10); `version` counts those edits (ETag).
# `digest` is the SHA-256 of the canonical document. `author_name` is the author's name on that day.
plan_revisions = sa.Table(
    "plan_revisions",
    metadata,
    id_column(),
    reference("plan_id", "plans.id"),
    text("label"),
    sa.Column("version", sa.Integer, nullable=False),
    json("document"),
    text("digest"),
    reference("author_id", "accounts.id"),
    text("author_name"),
    moment("created_at"),
    sa.UniqueConstraint("plan_id", "label"),
    info=kept_for_ever("label", "version", "document", "digest", sealed=_EVER_PUBLISHED),
)

# The state of a revision is a fold over these (service.plans.rules).
# effective_from and sites (NULL = all) are given by `published`.
revision_events = fact_table(
    "revision_events",
    reference("revision_id", "plan_revisions.id", index=True),
    text("kind"),
    text("note", nullable=True),
    moment("effective_from", nullable=True),
    texts("sites", nullable=True),
)


async def type_by_code(connection: AsyncConnection, code: str) -> Row | None:
    found = await connection.execute(sa.select(equipment_types).where(equipment_types.c.code == code))
    return found.mappings().one_or_none()


async def build_by_code(connection: AsyncConnection, type_id: UUID, code: str) -> Row | None:
    found = await connection.execute(
        sa.select(builds).where(builds.c.type_id == type_id, builds.c.code == code)
    )
    return found.mappings().one_or_none()


async def plan_by_code(connection: AsyncConnection, code: str) -> Row | None:
    """A plan with the code of its equipment type as `equipment_type`."""
    found = await connection.execute(_plans().where(plans.c.code == code))
    return found.mappings().one_or_none()


def _plans() -> sa.Select[*tuple[Any, ...]]:
    return sa.select(plans, equipment_types.c.code.label("equipment_type")).join(
        equipment_types, equipment_types.c.id == plans.c.type_id
    )


async def types_after(connection: AsyncConnection, code: str | None, limit: int) -> Sequence[Row]:
    query = sa.select(equipment_types).order_by(equipment_types.c.code).limit(limit)
    if code is not None:
        query = query.where(equipment_types.c.code > code)
    return (await connection.execute(query)).mappings().all()


async def builds_of(connection: AsyncConnection, type_ids: Collection[UUID]) -> Sequence[Row]:
    query = sa.select(builds).where(builds.c.type_id.in_(type_ids)).order_by(builds.c.code)
    return (await connection.execute(query)).mappings().all()


async def plans_after(connection: AsyncConnection, code: str | None, limit: int) -> Sequence[Row]:
    query = _plans().order_by(plans.c.code).limit(limit)
    if code is not None:
        query = query.where(plans.c.code > code)
    return (await connection.execute(query)).mappings().all()


async def insert(connection: AsyncConnection, table: sa.Table, row: Mapping[str, Any]) -> bool:
    """Append the row; False when its id or another unique key is taken: the caller reads what stands."""
    query = postgresql.insert(table).values(row).on_conflict_do_nothing().returning(table.c.id)
    return (await connection.scalar(query)) is not None


def _revisions() -> sa.Select[*tuple[Any, ...]]:
    kept = [column for column in plan_revisions.c if column is not plan_revisions.c.document]
    return (sa.select(*kept, plans.c.code.label("plan"), plan_revisions.c.author_name.label("author"))).join(
        plans, plans.c.id == plan_revisions.c.plan_id
    )


async def revision(connection: AsyncConnection, revision_id: UUID, *, lock: bool = False) -> Row | None:
    """A revision without its document, with the plan's code and the author's name.

    `lock` holds it until the transaction ends: whoever appends an event or edits the draft does so alone.
    """
    query = _revisions().where(plan_revisions.c.id == revision_id)
    if lock:
        query = query.with_for_update(of=plan_revisions)
    return (await connection.execute(query)).mappings().one_or_none()


async def revisions_after(
    connection: AsyncConnection, plan_id: UUID, after: tuple[datetime, UUID] | None, limit: int
) -> Sequence[Row]:
    """Revisions of a plan, the newest first, from the sort key (created_at, id) on."""
    key = sa.tuple_(plan_revisions.c.created_at, plan_revisions.c.id)
    query = _revisions().where(plan_revisions.c.plan_id == plan_id)
    if after is not None:
        query = query.where(key < sa.tuple_(sa.literal(after[0]), sa.literal(after[1])))
    query = query.order_by(plan_revisions.c.created_at.desc(), plan_revisions.c.id.desc()).limit(limit)
    return (await connection.execute(query)).mappings().all()


async def revision_document(connection: AsyncConnection, revision_id: UUID) -> PlanDocument:
    """The document of a revision; raises NotFound."""
    query = sa.select(plan_revisions.c.document).where(plan_revisions.c.id == revision_id)
    document = await connection.scalar(query)
    if document is None:
        raise no_revision(revision_id)
    return msgspec.convert(document, PlanDocument)


def no_revision(revision_id: UUID) -> NotFound:
    return NotFound(
        f"There is no plan revision {revision_id}.",
        next_step="Look it up under GET /api/v1/plans/{code}/revisions.",
    )


async def label_taken(connection: AsyncConnection, plan_id: UUID, label: str, but: UUID) -> bool:
    """True when another revision of the plan than `but` has the label."""
    query = sa.select(plan_revisions.c.id).where(
        plan_revisions.c.plan_id == plan_id, plan_revisions.c.label == label, plan_revisions.c.id != but
    )
    return await connection.scalar(query) is not None


async def update_draft(
    connection: AsyncConnection, revision_id: UUID, document: Mapping[str, Any], digest: str, label: str
) -> bool:
    """Replace the document; False, and nothing is changed, if the revision was ever published (I10)."""
    published = sa.exists().where(
        revision_events.c.revision_id == plan_revisions.c.id, revision_events.c.kind == "published"
    )
    done = await connection.execute(
        sa.update(plan_revisions)
        .where(plan_revisions.c.id == revision_id, ~published)
        .values(document=document, digest=digest, label=label, version=plan_revisions.c.version + 1)
    )
    return done.rowcount == 1


async def event_rows(connection: AsyncConnection, revision_id: UUID) -> Sequence[Row]:
    """The events of a revision as they were recorded, with the name of who recorded each as `by`."""
    query = (
        sa.select(revision_events, revision_events.c.by_name.label("by"))
        .where(revision_events.c.revision_id == revision_id)
        .order_by(revision_events.c.number)
    )
    return (await connection.execute(query)).mappings().all()


async def events_of_plan(connection: AsyncConnection, plan_id: UUID) -> dict[UUID, list[Event]]:
    """The events of every revision of a plan; a draft without events has none."""
    query = (
        sa.select(plan_revisions.c.id.label("revision"), revision_events)
        .outerjoin(revision_events, revision_events.c.revision_id == plan_revisions.c.id)
        .where(plan_revisions.c.plan_id == plan_id)
    )
    by_revision: dict[UUID, list[Event]] = {}
    for row in (await connection.execute(query)).mappings():
        events = by_revision.setdefault(row["revision"], [])
        if row["id"] is not None:
            events.append(as_event(row))
    return by_revision


def as_event(row: Row) -> Event:
    return Event(
        row["id"],
        row["kind"],
        row["account_id"],
        frozenset(row["replaces"]),
        row["effective_from"],
        None if row["sites"] is None else frozenset(row["sites"]),
    )


async def folds_of_plan(connection: AsyncConnection, plan_id: UUID) -> dict[UUID, FoldedRevision]:
    """Every revision of a plan, folded from its events."""
    by_revision = await events_of_plan(connection, plan_id)
    return {revision_id: fold(events) for revision_id, events in by_revision.items()}


async def effective_revision(
    connection: AsyncConnection, plan_id: UUID, site_code: str, at: datetime
) -> UUID | None:
    """The revision of the plan that is effective at a site and instant, None where there is none."""
    return effective_at(await folds_of_plan(connection, plan_id), at, site_code)

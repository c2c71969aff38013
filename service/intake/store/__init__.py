"""SQL of cards, card returns, manifests, placements and receipts."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import JSONB, insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import agents, sites
from service.database import Row, id_column, ids, json, metadata, moment, reference, text
from service.intake.store.large import not_yet_verified
from service.intake.store.refused import refused_of
from service.plans.store import plan_revisions
from service.records.store import clock_of_camera, images, sightings

cards = sa.Table(
    "cards",
    metadata,
    id_column(),
    reference("site_id", "sites.id"),
    reference("agent_id", "agents.id"),
    reference("inspection_id", "inspections.id", index=True),
    reference("revision_id", "plan_revisions.id"),
    text("profile"),
    sa.Column("folders", sa.Integer, nullable=False),
    text("scope", nullable=True),
    text("person", nullable=True),
    moment("prepared_at"),
    moment("recorded_at"),
)

# `card_id` is what the card's own marker says and may be unknown here: no foreign key.
# `opening` is the request as sent: it may name an inspection or revision unknown here.
card_returns = sa.Table(
    "card_returns",
    metadata,
    id_column(),
    reference("site_id", "sites.id"),
    reference("agent_id", "agents.id"),
    sa.Column("card_id", sa.UUID(as_uuid=True)),
    reference("inspection_id", "inspections.id", nullable=True, index=True),
    reference("revision_id", "plan_revisions.id", nullable=True),
    text("profile"),
    text("scope", nullable=True),
    text("person", nullable=True),
    text("shift", nullable=True),
    json("volume", nullable=True),
    json("opening"),
    moment("started_at"),
    moment("finished_at", nullable=True),
    moment("opened_at"),
    moment("committed_at", nullable=True),
    text("manifest_sha256", nullable=True),
    sa.Column("complete", sa.Boolean),
    text("extent", nullable=True),
    text("extent_note", nullable=True),
    text("confirmed_by", nullable=True),
    sa.Column("aside", JSONB, nullable=False, server_default="[]"),
    sa.Column("files", sa.Integer, nullable=False, server_default="0"),
    sa.Column("files_new", sa.Integer, nullable=False, server_default="0"),
    sa.Column("bytes", sa.BigInteger, nullable=False, server_default="0"),
    sa.Column("bytes_new", sa.BigInteger, nullable=False, server_default="0"),
    sa.Column("not_placed", sa.Integer, nullable=False, server_default="0"),
    sa.Column("unread", JSONB, nullable=False, server_default="[]"),
    sa.Column("remarks", JSONB, nullable=False, server_default="[]"),
    # The ids of the statements that came with the commit, taken or not.
    ids("statements", server_default="{}"),
    sa.Index("ix_card_returns_site", "site_id", "id"),
    sa.Index("ix_card_returns_card", "card_id"),
    sa.Index("ix_card_returns_agent", "agent_id"),
)

# The manifest as the agent sent it, part by part, kept as evidence of what was claimed.
card_return_parts = sa.Table(
    "card_return_parts",
    metadata,
    reference("card_return_id", "card_returns.id", primary_key=True),
    sa.Column("part", sa.Integer, primary_key=True),
    sa.Column("files", sa.Integer, nullable=False),
    sa.Column("body", sa.LargeBinary, nullable=False),
    text("body_sha256"),
)

# A person's order to show pictures at another place, with the reason (I12).
picture_moves = sa.Table(
    "picture_moves",
    metadata,
    id_column(),
    text("request_sha256"),
    text("reason"),
    reference("account_id", "accounts.id"),
    text("by_name"),
    moment("recorded_at"),
    reference("undoes", "picture_moves.id", nullable=True, index=True),
)

# From where to where each picture went: the index on both ends puts a move into both histories.
picture_move_items = sa.Table(
    "picture_move_items",
    metadata,
    reference("move_id", "picture_moves.id", primary_key=True),
    sa.Column("ordinal", sa.Integer, primary_key=True),
    text("digest"),
    sa.Column("sightings", sa.Integer, nullable=False),
    reference("from_inspection_id", "inspections.id", nullable=True, index=True),
    text("from_location_key", nullable=True),
    sa.Column("from_element", sa.Integer),
    reference("to_inspection_id", "inspections.id", index=True),
    text("to_location_key", nullable=True),
    sa.Column("to_element", sa.Integer),
)

# Facts: who or what rule said where a sighting belongs. A move replaces earlier ones by id (I12), and so does
# a binding that brings a location (`binding_id`). `location_key` NULL: at the inspection, no location known;
# `claimed_key` is then the key that was claimed and that the inspection did not have, `claimed_element` the
# element there. `revision_id` is what the inspection was bound to when this was recorded, `by_name` the name
# of that day.
placements = sa.Table(
    "placements",
    metadata,
    id_column(),
    reference("sighting_id", "sightings.id", index=True),
    reference("inspection_id", "inspections.id", index=True),
    text("location_key", nullable=True),
    text("claimed_key", nullable=True),
    sa.Column("claimed_element", sa.Integer),
    sa.Column("element", sa.Integer),
    sa.Column("element_last", sa.Integer),
    text("evaluation", nullable=True),
    text("condition", nullable=True),
    text("note", nullable=True),
    text("rule"),
    sa.Column("confidence", sa.Double, nullable=False),
    reference("account_id", "accounts.id", nullable=True),
    reference("agent_id", "agents.id", nullable=True),
    text("by_name"),
    reference("revision_id", "plan_revisions.id"),
    reference("move_id", "picture_moves.id", nullable=True, index=True),
    reference("binding_id", "bindings.id", nullable=True),
    moment("recorded_at"),
    ids("replaces"),
)

receipts = sa.Table(
    "receipts",
    metadata,
    reference("card_return_id", "card_returns.id", primary_key=True),
    text("key_id"),
    sa.Column("body", sa.LargeBinary, nullable=False),
    moment("issued_at"),
)


async def card(connection: AsyncConnection, card_id: UUID) -> Row | None:
    """A prepared card with its site's code, agent's name and revision's label."""
    found = await connection.execute(
        sa.select(cards, sites.c.code.label("site"), agents.c.name.label("agent"))
        .join(sites, sites.c.id == cards.c.site_id)
        .join(agents, agents.c.id == cards.c.agent_id)
        .where(cards.c.id == card_id)
    )
    return found.mappings().one_or_none()


async def insert_card(connection: AsyncConnection, row: Mapping[str, Any]) -> bool:
    """False when a card of that id is recorded already."""
    return await _insert_new(connection, cards, row)


async def insert_return(connection: AsyncConnection, row: Mapping[str, Any]) -> bool:
    """False when a card return of that id is recorded already."""
    return await _insert_new(connection, card_returns, row)


async def _insert_new(connection: AsyncConnection, table: sa.Table, row: Mapping[str, Any]) -> bool:
    done = await connection.execute(
        insert(table).values(**row).on_conflict_do_nothing(index_elements=["id"]).returning(table.c.id)
    )
    return done.first() is not None


def _returns() -> sa.Select[*tuple[Any, ...]]:
    return (
        sa.select(
            card_returns,
            sites.c.code.label("site"),
            sites.c.time_zone,
            agents.c.name.label("agent"),
            not_yet_verified(card_returns),
            refused_of(card_returns),
        )
        .join(sites, sites.c.id == card_returns.c.site_id)
        .join(agents, agents.c.id == card_returns.c.agent_id)
    )


async def card_return(connection: AsyncConnection, return_id: UUID, lock: str = "") -> Row | None:
    """A card return with its site's code and agent's name; `lock` is "", "share" or "update"."""
    query = _returns().where(card_returns.c.id == return_id)
    if lock:
        query = query.with_for_update(read=lock == "share", of=card_returns)
    found = await connection.execute(query)
    return found.mappings().one_or_none()


async def committed_manifests(
    connection: AsyncConnection, site_codes: Iterable[str] | None, return_ids: Iterable[UUID]
) -> dict[UUID, str]:
    """The manifest digest of each of these card returns that is committed at one of these sites."""
    at = card_returns.c
    query = (
        sa.select(at.id, at.manifest_sha256)
        .join(sites, sites.c.id == at.site_id)
        .where(at.id.in_(list(return_ids)), at.committed_at.is_not(None))
    )
    if site_codes is not None:
        query = query.where(sites.c.code.in_(list(site_codes)))
    return {row.id: row.manifest_sha256 for row in await connection.execute(query)}


async def committed_of_agent(connection: AsyncConnection, agent_id: UUID) -> int:
    """How many card returns an agent has committed."""
    at = card_returns.c
    query = sa.select(sa.func.count()).where(at.agent_id == agent_id, at.committed_at.is_not(None))
    return await connection.scalar(query) or 0


async def returns_page(
    connection: AsyncConnection, site_codes: Iterable[str] | None, before: UUID | None, limit: int
) -> Sequence[Row]:
    """Card returns, the newest id first; `site_codes` None means every site."""
    query = _returns().order_by(card_returns.c.id.desc()).limit(limit)
    if site_codes is not None:
        query = query.where(sites.c.code.in_(list(site_codes)))
    if before is not None:
        query = query.where(card_returns.c.id < before)
    return (await connection.execute(query)).mappings().all()


async def close_return(connection: AsyncConnection, return_id: UUID, values: Mapping[str, Any]) -> None:
    await connection.execute(card_returns.update().where(card_returns.c.id == return_id).values(**values))


async def part_digest(connection: AsyncConnection, return_id: UUID, part: int) -> str | None:
    """SHA-256 of a part's body as it was sent, None when it was not."""
    return await connection.scalar(
        sa.select(card_return_parts.c.body_sha256).where(
            card_return_parts.c.card_return_id == return_id, card_return_parts.c.part == part
        )
    )


async def insert_part(connection: AsyncConnection, row: Mapping[str, Any]) -> bool:
    """False when another request stored this part first."""
    done = await connection.execute(
        insert(card_return_parts).values(**row).on_conflict_do_nothing().returning(card_return_parts.c.part)
    )
    return done.first() is not None


async def part_numbers(connection: AsyncConnection, return_id: UUID) -> list[int]:
    """The numbers of the parts that were sent, in order."""
    at = card_return_parts.c
    query = sa.select(at.part).where(at.card_return_id == return_id).order_by(at.part)
    return list(await connection.scalars(query))


async def part(connection: AsyncConnection, return_id: UUID, number: int) -> bytes | None:
    """The body of one part as it was sent, which never changes."""
    at = card_return_parts.c
    body = await connection.scalar(
        sa.select(at.body).where(at.card_return_id == return_id, at.part == number)
    )
    return None if body is None else bytes(body)


async def receipt(connection: AsyncConnection, return_id: UUID) -> bytes | None:
    """A receipt, byte for byte as it was first answered."""
    body = await connection.scalar(sa.select(receipts.c.body).where(receipts.c.card_return_id == return_id))
    return None if body is None else bytes(body)


async def insert_receipt(connection: AsyncConnection, row: Mapping[str, Any]) -> None:
    await connection.execute(receipts.insert().values(**row))


async def revision_label(connection: AsyncConnection, revision_id: UUID) -> str | None:
    """The label of a plan revision, None when it is not known here."""
    return await connection.scalar(
        sa.select(plan_revisions.c.label).where(plan_revisions.c.id == revision_id)
    )


async def files_page(
    connection: AsyncConnection, return_id: UUID, after: int, limit: int, not_placed: bool
) -> Sequence[Row]:
    """Sightings of a return in manifest order, each with the place it stands at now.

    Where two placements stand side by side, the one recorded first is shown.
    """
    standing = (
        sa.select(placements)
        .where(placements.c.sighting_id == sightings.c.id, stands())
        .order_by(placements.c.id)
        .limit(1)
        .lateral("standing")
    )
    query = (
        sa.select(
            *(column for column in sightings.c if column is not sightings.c.exif),
            images.c.size,
            clock_of_camera(),
            standing.c.inspection_id,
            standing.c.location_key,
            standing.c.claimed_key,
            standing.c.element,
            standing.c.rule,
        )
        .join(images, images.c.digest == sightings.c.digest)
        .outerjoin(standing, sa.true())
        .where(sightings.c.card_return_id == return_id, sightings.c.ordinal > after)
        .order_by(sightings.c.ordinal)
        .limit(limit)
    )
    if not_placed:
        query = query.where(standing.c.location_key.is_(None))
    return (await connection.execute(query)).mappings().all()


async def claims_waiting(
    connection: AsyncConnection, inspection_id: UUID, locations: Collection[str]
) -> Sequence[Row]:
    """Facts that stand at an inspection and at no location, though they claimed one of these."""
    at = placements.c
    query = (
        sa.select(placements, sightings.c.digest)
        .join(sightings, sightings.c.id == at.sighting_id)
        .where(at.inspection_id == inspection_id, at.location_key.is_(None))
        .where(at.claimed_key.in_(locations), stands())
        .order_by(at.id)
    )
    return (await connection.execute(query)).mappings().all()


def stands() -> sa.ColumnElement[bool]:
    """A placement fact that no later one replaces."""
    later = placements.alias("later")
    return ~sa.exists().where(
        later.c.sighting_id == placements.c.sighting_id, placements.c.id == sa.any_(later.c.replaces)
    )

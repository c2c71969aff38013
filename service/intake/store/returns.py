"""SQL of cards, card returns, manifests and receipts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import agents, sites
from service.database import Row
from service.images.store import images
from service.intake.store.card_return import CardReturn
from service.intake.store.large import not_yet_verified
from service.intake.store.refused import refused_of
from service.intake.store.sighting import clock_of_camera, placement_shown
from service.intake.store.tables import (
    card_return_parts,
    card_returns,
    cards,
    receipts,
    sightings,
)
from service.plans.store import plan_revisions


async def card_by_id(connection: AsyncConnection, card_id: UUID) -> Row | None:
    """A prepared card with its site's code, agent's name and revision's label."""
    found = await connection.execute(
        sa.select(cards, sites.c.code.label("site"), agents.c.name.label("agent"))
        .join(sites, sites.c.id == cards.c.site_id)
        .join(agents, agents.c.id == cards.c.agent_id)
        .where(cards.c.id == card_id)
    )
    return found.mappings().one_or_none()


async def insert_return(connection: AsyncConnection, row: Mapping[str, Any]) -> None:
    """Insert a card return; an existing one with that id stays as it is."""
    await connection.execute(insert(card_returns).values(**row).on_conflict_do_nothing(index_elements=["id"]))


def _returns() -> sa.Select[*tuple[Any, ...]]:
    return (
        sa.select(
            card_returns,
            sites.c.code.label("site"),
            sites.c.time_zone,
            agents.c.name.label("agent"),
            not_yet_verified(),
            refused_of(card_returns),
        )
        .join(sites, sites.c.id == card_returns.c.site_id)
        .join(agents, agents.c.id == card_returns.c.agent_id)
    )


async def return_by_id(connection: AsyncConnection, return_id: UUID, lock: str = "") -> CardReturn | None:
    """A card return; `lock` is "", "share" or "update"."""
    query = _returns().where(card_returns.c.id == return_id)
    if lock:
        query = query.with_for_update(read=lock == "share", of=card_returns)
    row = (await connection.execute(query)).mappings().one_or_none()
    return None if row is None else CardReturn(**row)


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
) -> list[CardReturn]:
    """Card returns, the newest id first; `site_codes` None means every site."""
    query = _returns().order_by(card_returns.c.id.desc()).limit(limit)
    if site_codes is not None:
        query = query.where(sites.c.code.in_(list(site_codes)))
    if before is not None:
        query = query.where(card_returns.c.id < before)
    return [CardReturn(**row) for row in (await connection.execute(query)).mappings()]


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


async def part_body(connection: AsyncConnection, return_id: UUID, number: int) -> bytes | None:
    """The body of one part as it was sent, which never changes."""
    at = card_return_parts.c
    body = await connection.scalar(
        sa.select(at.body).where(at.card_return_id == return_id, at.part == number)
    )
    return None if body is None else bytes(body)


async def receipt_bodies(connection: AsyncConnection, return_id: UUID) -> dict[str, bytes]:
    """The receipts of a card return by the key that signed each, byte for byte as first answered."""
    query = sa.select(receipts.c.key_id, receipts.c.body).where(receipts.c.card_return_id == return_id)
    return {row.key_id: bytes(row.body) for row in await connection.execute(query)}


async def returns_without_proof(
    connection: AsyncConnection, trusted: Sequence[str], after: UUID | None, limit: int
) -> list[UUID]:
    """Committed card returns of which no receipt is by a trusted key, by id, after the id `after`."""
    by_trusted = (
        sa.select(receipts.c.card_return_id)
        .where(receipts.c.card_return_id == card_returns.c.id, receipts.c.key_id.in_(trusted))
        .exists()
    )
    query = (
        sa.select(card_returns.c.id)
        .where(card_returns.c.committed_at.is_not(None), ~by_trusted)
        .order_by(card_returns.c.id)
        .limit(limit)
    )
    if after is not None:
        query = query.where(card_returns.c.id > after)
    return list(await connection.scalars(query))


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
    """Sightings of a return in manifest order, each with the place it stands at now."""
    place = placement_shown()
    query = (
        sa.select(
            *(column for column in sightings.c if column is not sightings.c.exif),
            images.c.size,
            clock_of_camera(),
            place.c.inspection_id,
            place.c.location_key,
            place.c.claimed_key,
            place.c.element,
            place.c.rule,
        )
        .join(images, images.c.digest == sightings.c.digest)
        .outerjoin(place, sa.true())
        .where(sightings.c.card_return_id == return_id, sightings.c.ordinal > after)
        .order_by(sightings.c.ordinal)
        .limit(limit)
    )
    if not_placed:
        query = query.where(place.c.location_key.is_(None))
    return (await connection.execute(query)).mappings().all()

"""SQL of retention: policies of sites, card returns to lock, locks to renew."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.custody.rules import Policy
from service.custody.store.tables import image_custody, retention_policies, return_locks
from service.database import Row, texts_of
from service.facts.store import standing
from service.intake.store.tables import card_returns, sightings

STRICT, LOOSE = "compliance", "governance"

_policies = sa.select(retention_policies).where(standing(retention_policies)).subquery("policies")


def policy_of(row: Row) -> Policy:
    return Policy(row["days"], row["mode"] == STRICT)


async def standing_policy(connection: AsyncConnection, code: str) -> Row | None:
    """The policy that stands at a site, with the name of who recorded it."""
    query = (
        sa.select(retention_policies, retention_policies.c.by_name.label("by"))
        .join(sites, sites.c.id == retention_policies.c.site_id)
        .where(sites.c.code == code, standing(retention_policies))
    )
    return (await connection.execute(query)).mappings().one_or_none()


async def standing_policies(connection: AsyncConnection) -> Sequence[Row]:
    """The policies that stand, by site, those of no days left out."""
    query = (
        sa.select(_policies, sites.c.code.label("site"))
        .join(sites, sites.c.id == _policies.c.site_id)
        .where(_policies.c.days > 0)
        .order_by(sites.c.code)
    )
    return (await connection.execute(query)).mappings().all()


async def returns_to_lock(connection: AsyncConnection, limit: int) -> Sequence[Row]:
    """Committed card returns of sites with a policy whose originals were not locked by it, oldest id first;
    each with the policy's id."""
    query = (
        sa.select(card_returns.c.id, _policies.c.id.label("policy_id"))
        .join(_policies, _policies.c.site_id == card_returns.c.site_id)
        .outerjoin(return_locks, return_locks.c.card_return_id == card_returns.c.id)
        .where(
            _policies.c.days > 0,
            card_returns.c.committed_at.is_not(None),
            return_locks.c.policy_id.is_distinct_from(_policies.c.id),
        )
        .order_by(card_returns.c.id)
        .limit(limit)
    )
    return (await connection.execute(query)).mappings().all()


async def note_return(connection: AsyncConnection, return_id: UUID, policy_id: UUID) -> None:
    """The originals of this card return are locked by this policy."""
    noted = insert(return_locks).values(card_return_id=return_id, policy_id=policy_id)
    await connection.execute(
        noted.on_conflict_do_update(index_elements=["card_return_id"], set_={"policy_id": policy_id})
    )


async def digests_of_return(
    connection: AsyncConnection, return_id: UUID, after: str, limit: int
) -> list[str]:
    """Distinct digests of a card return by digest, after one."""
    query = (
        sa.select(sightings.c.digest)
        .distinct()
        .where(sightings.c.card_return_id == return_id, sightings.c.digest > after)
        .order_by(sightings.c.digest)
        .limit(limit)
    )
    return list(await connection.scalars(query))


async def policies_of(connection: AsyncConnection, digests: Collection[str]) -> dict[str, list[Policy]]:
    """Of each image the policies of every site where it was seen."""
    query = (
        sa.select(sightings.c.digest, _policies.c.days, _policies.c.mode)
        .distinct()
        .join(card_returns, card_returns.c.id == sightings.c.card_return_id)
        .join(_policies, _policies.c.site_id == card_returns.c.site_id)
        .where(sightings.c.digest == sa.any_(texts_of(digests)))
    )
    found: dict[str, list[Policy]] = {digest: [] for digest in digests}
    for row in (await connection.execute(query)).mappings():
        found[row["digest"]].append(policy_of(row))
    return found


async def locked_versions(connection: AsyncConnection, digests: Collection[str]) -> dict[str, str | None]:
    """Of each image that was locked the version that was."""
    query = sa.select(image_custody.c.digest, image_custody.c.locked_version).where(
        image_custody.c.digest == sa.any_(texts_of(digests))
    )
    return {row.digest: row.locked_version for row in await connection.execute(query)}


async def locks_to_renew(connection: AsyncConnection, at: datetime, limit: int) -> list[str]:
    """Digests whose lock is to be renewed at `at` (the store's time), the most pressing first."""
    query = (
        sa.select(image_custody.c.digest)
        .where(image_custody.c.renew_at <= at)
        .order_by(image_custody.c.renew_at)
        .limit(limit)
    )
    return list(await connection.scalars(query))


async def note_locks(connection: AsyncConnection, rows: Sequence[Mapping[str, Any]]) -> None:
    """Note which versions are locked until when (digest and columns of image_custody)."""
    if not rows:
        return
    noted = insert(image_custody)
    names = ("locked_version", "lock_mode", "locked_until", "renew_at")
    changed = {name: noted.excluded[name] for name in names}
    ordered = sorted((dict(row) for row in rows), key=lambda row: str(row["digest"]))
    await connection.execute(noted.on_conflict_do_update(index_elements=["digest"], set_=changed), ordered)


async def set_renewal(connection: AsyncConnection, digest: str, at: datetime | None) -> None:
    """Look at a lock again at `at`; None: let it run out."""
    custody = sa.update(image_custody).where(image_custody.c.digest == digest)
    await connection.execute(custody.values(renew_at=at))

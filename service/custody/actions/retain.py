"""Locks on originals (S3 Object Lock) by the policies of the sites where they were seen.

Each original is locked by itself, after the commit, until the store's time plus the policy's days, and the
lock is renewed while a third of these is left and a policy still asks for it. Nothing is ever shortened.
A store without Object Lock does not hinder intake: the log and the page say so.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import structlog
from sqlalchemy.ext.asyncio import AsyncConnection

from service.custody.actions.runs import add_run
from service.custody.rules import Policy, renew_at, strongest
from service.custody.store import retention
from service.custody.store.figures import last_runs
from service.database import Database, Row
from service.images.store import images_held
from service.objects import Original
from service.objects.holding import Holding, Lock, Mode

AT_ONCE = 4
PER_BATCH = 200
RETURNS_PER_TURN = 50
# The audit reports an original that is not there; its lock is tried again after this time.
AGAIN = timedelta(days=1)

_log = structlog.get_logger(__name__)


@dataclass(slots=True)
class Locked:
    """What one pass did: originals of new card returns locked, locks renewed, originals not there."""

    returns: int = 0
    originals: int = 0
    renewed: int = 0
    absent: int = 0
    object_lock: bool = True

    def counts(self) -> dict[str, int]:
        return {name: int(getattr(self, name)) for name in self.__dataclass_fields__}


async def retain(db: Database, holding: Holding) -> Locked | None:
    """Lock what sites ask to be locked and renew what runs out; None when no site asks for it."""
    async with db.begin() as connection:
        if not await retention.standing_policies(connection):
            return None
    started_at, done = await holding.clock(), Locked(object_lock=await holding.locks())
    if done.object_lock:
        await _lock_returns(db, holding, done)
        await _renew(db, holding, done)
    else:
        _log.warning("the bucket has no Object Lock: nothing is locked, although a site's policy asks for it")
    await _note(db, started_at, await holding.clock(), done)
    return done


async def _note(db: Database, started_at: datetime, at: datetime, done: Locked) -> None:
    """Record a pass unless it did nothing and found nothing new: there is one every few minutes."""
    counts = done.counts()
    async with db.begin() as connection:
        last: Row | None = (await last_runs(connection)).get("retention")
        if done.returns or done.renewed or last is None or last["found"]["object_lock"] != done.object_lock:
            await add_run(connection, "retention", started_at, at, counts)


async def _lock_returns(db: Database, holding: Holding, done: Locked) -> None:
    while True:
        async with db.begin() as connection:
            rows = await retention.returns_to_lock(connection, RETURNS_PER_TURN)
        for row in rows:
            await _lock_return(db, holding, row, done)
        if len(rows) < RETURNS_PER_TURN:
            return


async def _lock_return(db: Database, holding: Holding, row: Row, done: Locked) -> None:
    after = ""
    while True:
        async with db.begin() as connection:
            digests = await retention.digests_of_return(connection, row["id"], after, PER_BATCH)
        if not digests:
            break
        done.originals += await _lock(db, holding, digests, done)
        after = digests[-1]
    async with db.begin() as connection:
        await retention.note_return(connection, row["id"], row["policy_id"])
    done.returns += 1


async def _renew(db: Database, holding: Holding, done: Locked) -> None:
    while True:
        at = await holding.clock()
        async with db.begin() as connection:
            digests = await retention.locks_to_renew(connection, at, PER_BATCH)
        if not digests:
            return
        done.renewed += await _lock(db, holding, digests, done)


async def _lock(db: Database, holding: Holding, digests: Sequence[str], done: Locked) -> int:
    """Lock originals for the whole time that their sites ask for, from now; how many were."""
    async with db.begin() as connection:
        asked = await retention.policies_of(connection, digests)
        versions = await retention.locked_versions(connection, digests)
        lies_at = await images_held(connection, digests)
    wanted = {digest: strongest(policies) for digest, policies in asked.items()}
    at = await holding.clock()
    gate = asyncio.Semaphore(AT_ONCE)

    async def lock_original(digest: str, policy: Policy) -> tuple[str, Policy, Lock | None]:
        original = Original(lies_at[digest]["site"], digest)
        async with gate:
            return digest, policy, await _retain(holding, original, policy, at, versions.get(digest))

    locks = await asyncio.gather(
        *(lock_original(digest, policy) for digest, policy in wanted.items() if policy)
    )
    rows = [_row(digest, policy, lock) for digest, policy, lock in locks if lock]
    async with db.begin() as connection:
        await retention.note_locks(connection, rows)
        await _leave(connection, [digest for digest, policy in wanted.items() if policy is None], None)
        await _leave(connection, [digest for digest, _, lock in locks if lock is None], at + AGAIN)
    done.absent += len(locks) - len(rows)
    return len(rows)


async def _leave(connection: AsyncConnection, digests: Sequence[str], until: datetime | None) -> None:
    for digest in sorted(digests):
        await retention.set_renewal(connection, digest, until)


async def _retain(
    holding: Holding, original: Original, policy: Policy, at: datetime, version: str | None
) -> Lock | None:
    try:
        mode: Mode = "COMPLIANCE" if policy.strict else "GOVERNANCE"
        return await holding.retain(original, mode, at + policy.span, version)
    except FileNotFoundError:
        _log.error("an original is not in the store and cannot be locked", key=original.key)
        return None


def _row(digest: str, policy: Policy, lock: Lock) -> dict[str, Any]:
    return {
        "digest": digest,
        "locked_version": lock.version,
        "lock_mode": lock.mode,
        "locked_until": lock.until,
        "renew_at": renew_at(lock.until, policy),
    }

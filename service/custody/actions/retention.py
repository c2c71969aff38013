"""The retention policy of a site."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.access.store import known_site, note
from service.contract.custody import Retention, RetentionIn
from service.contract.wire import new_id
from service.custody.store import retention
from service.custody.store.tables import retention_policies
from service.database import Database, Row
from service.facts.store import append


async def read_retention(db: Database, caller: Caller, site: str) -> Retention:
    """The retention policy that stands at a site."""
    caller.must(Act.READ, site)
    async with db.begin() as connection:
        return await standing_retention(connection, site)


async def put_retention(
    db: Database, caller: Caller, site: str, wanted: RetentionIn, check: Callable[[Retention], None]
) -> Retention:
    """Record another policy; `check` is given the policy that stands and raises when the change is
    not meant for it. The same policy again changes nothing and needs no check."""
    caller.must(Act.RUN_SITE, site)
    async with db.begin() as connection:
        return await record_retention(connection, site, wanted, by=caller, check=check)


async def record_retention(
    connection: AsyncConnection,
    site: str,
    wanted: RetentionIn,
    *,
    by: Caller | None,
    check: Callable[[Retention], None] = lambda _: None,
) -> Retention:
    """Record the change in the caller's transaction; the command line passes no `by`."""
    site_id = (await known_site(connection, site, lock=True))["id"]
    before = await retention.standing_policy(connection, site)
    now = retention_of(site, before)
    if (now.days, now.mode) == (wanted.days, wanted.mode):
        return now
    check(now)
    policy: dict[str, Any] = {"days": wanted.days, "mode": wanted.mode}
    fact = {"id": new_id(), "site_id": site_id, "turn": now.number + 1, **policy}
    fact["replaces"] = [] if before is None else [before["id"]]
    await append(connection, retention_policies, [fact], by)
    account_id = by.account_id if by is not None else None
    detail = {"number": now.number + 1, **policy}
    await note(connection, "retention_changed", site_id=site_id, by_account_id=account_id, detail=detail)
    return retention_of(site, await retention.standing_policy(connection, site))


async def standing_retention(connection: AsyncConnection, site: str) -> Retention:
    """The policy that stands at a site; raises NotFound."""
    await known_site(connection, site)
    return retention_of(site, await retention.standing_policy(connection, site))


def retention_of(site: str, row: Row | None) -> Retention:
    if row is None:
        return Retention(site=site, days=0, mode="governance", number=0, by=None, recorded_at=None)
    names = ("days", "mode", "recorded_at")
    return Retention(site=site, number=row["turn"], by=row.get("by"), **{name: row[name] for name in names})

"""Use cases of sites."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from zoneinfo import available_timezones

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access import store
from service.access.rules import Act, Caller
from service.contract.access import (
    Site,
    SiteIn,
)
from service.contract.wire import new_id
from service.database import Database, Row
from service.errors import Invalid


async def list_sites(db: Database, caller: Caller, after: str | None, limit: int) -> list[Site]:
    """The caller's sites by code."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        return [site_of(row) for row in await store.site_page(connection, after, limit, caller.sites)]


async def read_site(db: Database, caller: Caller, code: str) -> Site:
    caller.must(Act.READ, code)
    async with db.begin() as connection:
        return site_of(await store.known_site(connection, code))


async def put_site(
    db: Database, caller: Caller, code: str, content: SiteIn, check: Callable[[Site], None]
) -> Site:
    """Make a site, or change it; `check` is given the present one and raises when the change is not
    meant for it. The same content again changes nothing and needs no check."""
    caller.must(Act.RUN_SITE, code)
    if content.time_zone not in available_timezones():
        raise Invalid(
            f"{content.time_zone} is no time zone of the IANA database.",
            next_step="Send one such as Europe/Dublin.",
        )
    values: dict[str, Any] = msgspec.structs.asdict(content)
    async with db.begin() as connection:
        made = await store.insert_site(connection, {"id": new_id(), "code": code, **values})
        row = await store.known_site(connection, code, lock=True)
        if made:
            await _note_site(connection, "site_made", caller, row, values)
        elif site_of(row) != Site(code=code, **values):
            check(site_of(row))
            await store.update_site(connection, row["id"], **values)
            await _note_site(connection, "site_changed", caller, row, values)
    return Site(code=code, **values)


async def _note_site(
    connection: AsyncConnection, kind: str, caller: Caller, row: Row, values: dict[str, Any]
) -> None:
    await store.note(connection, kind, site_id=row["id"], by_account_id=caller.account_id, detail=values)


def site_of(row: Row) -> Site:
    return Site(
        code=row["code"],
        name=row["name"],
        kind=row["kind"],
        time_zone=row["time_zone"],
        card_profile=row["card_profile"],
    )

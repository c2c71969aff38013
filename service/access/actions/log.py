"""The access log as auditors and administrators read it."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from typing import Any

import msgspec

from service.access.events import EventKey, Wanted, events_page, kinds_recorded
from service.access.noting import note, outcome_of
from service.access.rules import Act, Caller
from service.contract.access import AccessEvent
from service.contract.showing import plain
from service.database import Database, Row

ROWS_AT_ONCE = 500
MOST_ROWS_OF_CSV = 20_000

# A cell that begins so is a formula to a spreadsheet (OWASP, CSV Injection; the full-width signs count too).
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


async def list_events(
    db: Database, caller: Caller, wanted: Wanted, after: EventKey | None, limit: int
) -> list[AccessEvent]:
    """Events at the caller's sites, the newest first. Raises NotAllowed for who may not read the log, or asks
    for a site that is not his."""
    caller.must(Act.READ_LOG, wanted.site)
    sites = None if caller.sites is None else sorted(caller.sites)
    async with db.begin() as connection:
        return [_event(row) for row in await events_page(connection, wanted, sites, after, limit)]


async def kinds_known(db: Database, caller: Caller) -> list[str]:
    """The kinds of events that may be asked for."""
    caller.must(Act.READ_LOG)
    async with db.begin() as connection:
        return await kinds_recorded(connection)


async def export_events(
    db: Database, caller: Caller, wanted: Wanted, after: EventKey | None, limit: int = MOST_ROWS_OF_CSV
) -> tuple[str, EventKey | None]:
    """The same as CSV (RFC 4180), and the key to go on from where there are more than `limit`. That somebody
    took them away is an event itself."""
    events: list[AccessEvent] = []
    while len(events) < limit:
        wide = min(ROWS_AT_ONCE, limit - len(events))
        found = await list_events(db, caller, wanted, after, wide)
        events += found
        if len(found) < wide:
            after = None
            break
        after = (found[-1].at, found[-1].id)
    asked = {name: str(getattr(wanted, name)) for name in wanted.__slots__ if getattr(wanted, name)}
    async with db.begin() as connection:
        by = {"by_account_id": caller.account_id, "by_agent_id": caller.agent_id, "by_name": caller.name}
        detail = {"rows": len(events), "asked": asked}
        await note(connection, "exported", **by, concerns="the access log", detail=detail)
    return as_csv(events), after


def _event(row: Row) -> AccessEvent:
    members = {name: row[name] for name in AccessEvent.__struct_fields__ if name not in ("by", "outcome")}
    return AccessEvent(**members, by=row["by_name"], outcome=outcome_of(row["kind"]))


def as_csv(events: Iterable[AccessEvent]) -> str:
    """One row for each event, every cell quoted and none of them a formula."""
    written = io.StringIO()
    writer = csv.writer(written, quoting=csv.QUOTE_ALL)
    writer.writerow(AccessEvent.__struct_encode_fields__)
    for event in events:
        members: Mapping[str, Any] = msgspec.to_builtins(event)
        writer.writerow([cell(members[name]) for name in AccessEvent.__struct_encode_fields__])
    return written.getvalue()


def cell(value: Any) -> str:
    """A value as text that a spreadsheet shows and does not carry out."""
    if value is None:
        return ""
    if isinstance(value, list):
        value = " ".join(value)
    text = value if isinstance(value, str) else msgspec.json.encode(value).decode()
    harmless = f"'{text}" if text.startswith(FORMULA) else text
    return plain(harmless)

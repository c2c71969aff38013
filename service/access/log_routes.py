"""The access log over HTTP."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Literal
from uuid import UUID

from litestar import Response, Router, get
from litestar.di import NamedDependency
from litestar.openapi.spec import OpenAPIMediaType, OpenAPIResponse, OpenAPIType, Operation, Schema
from litestar.params import FromQuery, QueryParameter

from service.access.actions import log
from service.access.events import EventKey, Wanted
from service.access.origin import canonical_address
from service.access.rules import Caller
from service.contract.access import AccessEvent
from service.contract.wire import CODE_PATTERN, DIGEST_PATTERN, Page
from service.database import Database
from service.errors import Malformed
from service.http import AnyRequest, Cursor, PageSize, decode_cursor, link_next, paged
from service.problems import problems

CSV = "text/csv; charset=utf-8; header=present"

Kind = Annotated[str | None, QueryParameter(max_length=64, pattern=r"^[a-z_]+$(?!\n)")]
SiteAsked = Annotated[str | None, QueryParameter(max_length=64, pattern=CODE_PATTERN)]
DigestAsked = Annotated[
    str | None, QueryParameter(pattern=DIGEST_PATTERN, description="SHA-256 of a picture")
]
Since = Annotated[datetime | None, QueryParameter(description="then or later")]
Until = Annotated[datetime | None, QueryParameter(description="before")]
Address = Annotated[str | None, QueryParameter(max_length=64, description="an IP address")]
Format = Annotated[
    Literal["json", "csv"] | None, QueryParameter(name="format", description="goes before Accept")
]


@dataclass
class AnswersCsvToo(Operation):
    """The same answer also as CSV."""

    def __post_init__(self) -> None:
        answer = (self.responses or {})["200"]
        assert isinstance(answer, OpenAPIResponse)
        assert answer.content is not None
        answer.content["text/csv"] = OpenAPIMediaType(schema=Schema(type=OpenAPIType.STRING))


@get("/access-events", operation_class=AnswersCsvToo, responses=problems(400, 401, 403))
async def list_access_events(
    request: AnyRequest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    kind: Kind = None,
    account: FromQuery[UUID | None] = None,
    agent: FromQuery[UUID | None] = None,
    site: SiteAsked = None,
    address: Address = None,
    digest: DigestAsked = None,
    since: Since = None,
    until: Until = None,
    wanted_format: Format = None,
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[Page[AccessEvent]]:
    """Who did what, from where, when: the newest first. For auditors and administrators; those of some sites
    see what concerns these. As CSV (`format=csv`, or Accept: text/csv) up to 20,000 rows at once; the Link
    header names the rest."""
    wanted = Wanted(
        kind=kind,
        account=account,
        agent=agent,
        site=site,
        address=address_asked(address),
        digest=digest,
        since=_with_zone(since),
        until=_with_zone(until),
    )
    after = decode_cursor(cursor, tuple[datetime, UUID])
    accepted = request.accept.best_match(["application/json", "text/csv"])
    if wanted_format == "csv" or (wanted_format is None and accepted == "text/csv"):
        return await _as_file(request, db, caller, wanted, after)
    items = await log.list_events(db, caller, wanted, after, limit)
    answer = paged(request, items, limit, lambda item: (item.at, item.id))
    answer.headers["Vary"] = "Accept"
    return answer


async def _as_file(
    request: AnyRequest, db: Database, caller: Caller, wanted: Wanted, after: EventKey | None
) -> Response[Any]:
    """The rows as a file to keep."""
    text, following = await log.export_events(db, caller, wanted, after)
    kept = {"Content-Disposition": 'attachment; filename="access-events.csv"', "Vary": "Accept"}
    return Response(text.encode(), media_type=CSV, headers=kept | link_next(request, following))


def address_asked(address: str | None) -> str | None:
    """The address as the log writes it; raises Malformed."""
    if address is None:
        return None
    found = canonical_address(address)
    if found is None:
        raise Malformed(
            f"{address[:64]!r} is no IP address.", next_step="Send one such as 192.0.2.1 or 2001:db8::1."
        )
    return found


def _with_zone(at: datetime | None) -> datetime | None:
    if at is not None and at.tzinfo is None:
        raise Malformed("A time without a zone names no moment.", next_step="Add Z, or +01:00.")
    return at


router = Router(path="/api/v1", route_handlers=[list_access_events], tags=["access"])

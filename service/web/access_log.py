"""The page of the access log: who did what, from where, when; its filters stand in the address."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from litestar import Response, get
from litestar.di import NamedDependency

from service.access.actions import log
from service.access.events import Wanted
from service.access.log_routes import address_asked
from service.access.rules import Caller
from service.contract.access import AccessEvent
from service.database import Database
from service.errors import Malformed
from service.http import AnyRequest, decode_cursor, encode_cursor
from service.settings import Settings
from service.web import actions, rules
from service.web.asked import day_field, id_field, text_field
from service.web.rendering import page

EVENTS_PER_PAGE = 50
UTC = rules.zone_of(None)


@dataclass(frozen=True, slots=True)
class Chosen:
    """The filters as a person set them; days are those of UTC, the last one taken in whole."""

    kind: str | None
    site: str | None
    account: UUID | None
    agent: UUID | None
    address: str | None
    digest: str | None
    since: date | None
    until: date | None

    def wanted(self) -> Wanted:
        return Wanted(
            kind=self.kind,
            site=self.site,
            account=self.account,
            agent=self.agent,
            address=address_asked(self.address),
            digest=self.digest,
            since=None if self.since is None else _midnight(self.since),
            until=None if self.until is None else _midnight(self.until) + timedelta(days=1),
        )

    def shown(self) -> dict[str, object]:
        """The filters that are set, to be repeated in links."""
        named = {name: getattr(self, name) for name in self.__slots__}
        return {name: value for name, value in named.items() if value is not None}

    def as_asked(self) -> dict[str, object]:
        """The same filters as the API takes them."""
        wanted = self.wanted()
        named = {name: getattr(wanted, name) for name in wanted.__slots__}
        return {
            name: value.isoformat() if isinstance(value, datetime) else value for name, value in named.items()
        }


def _midnight(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


def _chosen(query: Mapping[str, str]) -> Chosen:
    digest = text_field(query, "digest")
    if digest is not None and not rules.is_digest(digest):
        raise Malformed(
            f"{digest[:80]!r} is no SHA-256.", next_step="Copy all 64 signs from the page of the picture."
        )
    return Chosen(
        kind=text_field(query, "kind"),
        site=text_field(query, "site"),
        account=id_field(query, "account"),
        agent=id_field(query, "agent"),
        address=text_field(query, "address"),
        digest=digest,
        since=day_field(query, "since"),
        until=day_field(query, "until"),
    )


@get("/access-log", name="page_access_log")
async def access_log(
    request: AnyRequest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    settings: NamedDependency[Settings],
) -> Response[str]:
    chosen, cursor = _chosen(request.query_params), text_field(request.query_params, "cursor")
    after = decode_cursor(cursor, tuple[datetime, UUID])
    events = await log.list_events(db, caller, chosen.wanted(), after, EVENTS_PER_PAGE)
    kinds = await log.kinds_known(db, caller)
    sites = await actions.sites_named(db, caller.sites)
    last = events[-1] if len(events) == EVENTS_PER_PAGE else None
    return page(
        settings,
        "access_log.html",
        caller=caller,
        events=events,
        chosen=chosen,
        shown=chosen.shown(),
        asked=chosen.as_asked(),
        whose=_whose(events, chosen),
        kind_choices=[(kind, rules.event_words(kind)) for kind in kinds],
        site_choices=sites.choices(),
        event_words=rules.event_words,
        detail_words=rules.detail_words,
        newest=cursor is None,
        older=None if last is None else encode_cursor((last.at, last.id)),
        zone=UTC,
    )


def _whose(events: list[AccessEvent], chosen: Chosen) -> str | None:
    """Whom the page is limited to, by name where an event of it tells one."""
    if chosen.account is None and chosen.agent is None:
        return None
    for event in events:
        if chosen.account is not None and event.by_account_id == chosen.account:
            return event.by
        if chosen.agent is not None and event.by_agent_id == chosen.agent:
            return event.by
    return str(chosen.account or chosen.agent)


route_handlers: list[Any] = [access_log]

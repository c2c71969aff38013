"""What pages say of counts, standings, times and names. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import groupby
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from service.access.rules import Act, Caller
from service.campaigns.rules import COLUMNS, with_shares
from service.contract.campaigns import CompletionRow, Counted, LocationDetail, StatementOut
from service.contract.wire import DIGEST_PATTERN
from service.contract.work import LocationState
from service.plans import vocabulary

# The parts in the order in which a bar shows them. Each has its own texture: nothing rests on colour.
PARTS = (
    ("complete", "complete"),
    ("omitted", "omission authorised"),
    ("not_inspected", "not inspected"),
    ("reopened", "reopened"),
    ("conflict", "in conflict"),
    ("no_statement", "no statement yet"),
)

STATES: Mapping[LocationState, str] = {
    "complete": "complete",
    "omission_authorised": "omission authorised",
    "not_inspected": "not inspected",
    "reopened": "reopened",
    "conflict": "in conflict",
    "no_statement": "no statement yet",
    "not_applicable": "not applicable",
}


@dataclass(frozen=True, slots=True)
class Part:
    """One stretch of a bar; `start` and `width` in per cent of its length."""

    name: str
    words: str
    number: int
    start: float
    width: float


def parts(counts: Counted) -> list[Part]:
    """The stretches of a bar that are not empty, from the left."""
    made, start = [], 0.0
    for name, words in PARTS:
        number = getattr(counts, name)
        if number:
            width = 100 * number / counts.locations
            made.append(Part(name, words, number, round(start, 3), round(width, 3)))
            start += width
    return made


def in_words(counts: Counted) -> str:
    """The content of a bar in words, to be read aloud."""
    if not counts.locations:
        return "no applicable location"
    each = ", ".join(f"{part.number} {part.words}" for part in parts(counts))
    return f"{counts.locations} applicable locations: {each}"


# What may stand open beside "complete", in the order shown: column, short form, singular, plural.
OPEN = (
    ("pictures_engineering", "to engineering", "picture whose evaluation requires engineering",
     "pictures whose evaluation requires engineering"),
    ("pictures_second_look", "to a second look", "picture whose evaluation requires a second look",
     "pictures whose evaluation requires a second look"),
    ("pictures_unplaced", "at no location", "picture at no location", "pictures at no location"),
    ("complete_short", "complete, too few", "location called complete with too few pictures",
     "locations called complete with too few pictures"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Open:
    """Something that stands open whatever was stated: how many, briefly of what, and in full words."""

    number: int
    briefly: str
    words: str


def stands_open(counts: Counted) -> list[Open]:
    found = ((getattr(counts, name), *words) for name, *words in OPEN)
    return [
        Open(number, briefly, singular if number == 1 else plural)
        for number, briefly, singular, plural in found
        if number
    ]


def silent(counts: Counted) -> bool:
    """True when nobody stated anything about any location, and no location holds a picture."""
    return counts.no_statement == counts.locations and counts.pictures_held == 0


def silence(uncounted: int) -> str:
    """The words for silence. It is not the same as nothing found (I11), and pictures that came in and
    count at no location are data."""
    if not uncounted:
        return "no data yet"
    came = "1 picture came in and counts" if uncounted == 1 else f"{uncounted} pictures came in and count"
    return f"nothing stated; {came} at no location"


def inspection_words(counts: Counted, uncounted: int) -> str:
    """One inspection in words; `uncounted` pictures of it count at no location."""
    if silent(counts):
        return silence(uncounted)
    if counts.inspections_blocked:
        return "inspection complete by statements, and blocked"
    return "inspection complete" if counts.inspections_complete else "inspection open"


def total(rows: Iterable[Counted]) -> Counted:
    """The sum of some roll-up rows; shares as fractions, None where there is no location."""
    sums = dict.fromkeys(COLUMNS, 0)
    for row in rows:
        for name in COLUMNS:
            sums[name] += getattr(row, name)
    return Counted(**with_shares(sums))


@dataclass(frozen=True, slots=True)
class SiteRows:
    """The roll-up rows of one site and their sum."""

    site: str
    rows: list[CompletionRow]
    total: Counted


def by_site(rows: Sequence[CompletionRow]) -> list[SiteRows]:
    """Rows grouped by site; within a site in the order given."""
    ordered = sorted(rows, key=lambda row: row.site)
    groups = [(site, list(group)) for site, group in groupby(ordered, key=lambda row: row.site)]
    return [SiteRows(site, group, total(group)) for site, group in groups]


@dataclass(frozen=True, slots=True)
class ShownLocation:
    """One location as a page shows it: its state in words, and the statements that stand for it."""

    location: LocationDetail
    words: str
    heads: list[StatementOut]


def shown_location(
    location: LocationDetail, statements: Mapping[object, StatementOut], build: str
) -> ShownLocation:
    heads = [statements[key] for key in location.heads if key in statements]
    return ShownLocation(location, _state_words(location, build), heads)


def _state_words(location: LocationDetail, build: str) -> str:
    if location.state == "not_applicable":
        return f"not applicable to build {build}"
    if location.state == "no_statement" and not location.pictures_held:
        if location.pictures_uncounted:
            return "nothing stated, no picture that counts"
        return "no data: nothing stated, no picture"
    return STATES[location.state]


def term_words(stored: str) -> str:
    """A vocabulary term (`list:code`) as the list words it; a code that no list has, as it stands."""
    known = vocabulary.term(stored)
    return known.term if known is not None else stored.rpartition(":")[2].replace("_", " ")


def zone_of(name: str | None) -> ZoneInfo:
    """The time zone of a site; UTC where there is none or the name is unknown here."""
    try:
        return ZoneInfo(name or "UTC")
    except (KeyError, ValueError, OSError):
        return ZoneInfo("UTC")


def moment_words(at: datetime, zone: ZoneInfo) -> str:
    """A moment in a zone, with the zone's abbreviation or, where it has none, its offset."""
    local = at.astimezone(zone)
    name = local.tzname() or ""
    shown = name if name.isalpha() else f"UTC{local:%z}"
    return f"{local.day} {local:%b %Y %H:%M:%S} {shown}"


def utc_words(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"


def day_words(day: date) -> str:
    return f"{day.day} {day:%b %Y}"


def start_of(day: date, zone: ZoneInfo) -> datetime:
    """The first moment of a calendar day at a site."""
    return datetime.combine(day, time.min, zone).astimezone(UTC)


def end_of(day: date, zone: ZoneInfo) -> datetime:
    """The first moment after a calendar day at a site."""
    return start_of(min(day, date.max - timedelta(days=1)) + timedelta(days=1), zone)


_LOCAL = re.compile(r"/(?![/\\])[^\s\\\x00-\x1f]*")


def local_path(path: str | None) -> str:
    """`path` when it is a path of this service, else the first page: no redirect leaves the service."""
    if path is None or not _LOCAL.fullmatch(path):
        return "/"
    split = urlsplit(path)
    return "/" if split.scheme or split.netloc or split.path in ("/sign-in", "/sign-out") else path


def may_read_log(caller: Caller) -> bool:
    return caller.may(Act.READ_LOG)


def is_digest(text: str) -> bool:
    return re.match(DIGEST_PATTERN, text) is not None


def event_words(kind: str) -> str:
    """The kind of an event as a person reads it."""
    return kind.replace("_", " ")


def detail_words(detail: Mapping[str, Any] | None) -> list[tuple[str, str]]:
    """What an event says beside who and when: names, and values on one line each."""
    return [
        (event_words(name), "every site" if name == "sites" and value is None else _value_words(value))
        for name, value in (detail or {}).items()
    ]


def _value_words(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(map(_value_words, value)) or "none"
    if isinstance(value, dict):
        return "; ".join(f"{event_words(name)}: {_value_words(inner)}" for name, inner in value.items())
    return "none" if value is None else str(value)

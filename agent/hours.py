"""Hours of the day at a site, as a person writes them: `18:00-06:00`."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo

SPAN = re.compile(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)")
# Further ahead nobody can say anything of a link.
HORIZON_MINUTES = 14 * 24 * 60


def parse(text: str) -> tuple[int, int]:
    """Minutes of the day from and to; raises ValueError."""
    found = SPAN.fullmatch(text.strip())
    if found is None:
        raise ValueError(f"{text!r} is not like 18:00-06:00")
    hour, minute, to_hour, to_minute = map(int, found.groups())
    return hour * 60 + minute, to_hour * 60 + to_minute


class Hours:
    """Spans of the day in a time zone; one that ends before it begins goes over midnight."""

    def __init__(self, spans: Sequence[str], zone: tzinfo) -> None:
        self._spans = [parse(span) for span in spans]
        self._zone = zone

    def __bool__(self) -> bool:
        return bool(self._spans)

    def cover(self, at: datetime) -> bool:
        """Whether this instant, with a zone of its own, lies in one of the spans."""
        local = at.astimezone(self._zone)
        minute = local.hour * 60 + local.minute
        return any(
            begin <= minute < end if begin < end else minute >= begin or minute < end
            for begin, end in self._spans
        )


class Allowance:
    """How fast a workstation may push, and when: `bandwidth` bytes per second outside `full_speed`, nothing
    but small requests outside `push`; no hours given: no limit of that kind."""

    def __init__(self, bandwidth: float | None, full_speed: Hours, push: Hours) -> None:
        self._bandwidth, self._full_speed, self._push = bandwidth, full_speed, push

    def limit(self, at: datetime) -> float | None:
        """Bytes per second; None: as fast as the link goes."""
        return None if not self._bandwidth or self._full_speed.cover(at) else self._bandwidth

    def open(self, at: datetime) -> bool:
        """Whether pictures may go now."""
        return not self._push or self._push.cover(at)

    def time_left(self, size: float, rate: float | None, at: datetime) -> float | None:
        """Seconds until `size` bytes are gone at `rate` bytes per second, both limits kept. None: unknown.

        A rate that was measured under the limit is taken for the full-speed hours as well: no promise.
        """
        if size <= 0:
            return 0.0
        if rate is None or rate <= 0:
            return None
        if not self._push and not self._full_speed:
            limit = self.limit(at)
            return size / (rate if limit is None else min(rate, limit))
        for minute in range(HORIZON_MINUTES):
            now = self._rate(rate, at + timedelta(minutes=minute)) * 60
            if size <= now:
                return minute * 60 + size / now * 60
            size -= now
        return None

    def _rate(self, rate: float, at: datetime) -> float:
        if not self.open(at):
            return 0.0
        limit = self.limit(at)
        return rate if limit is None else min(rate, limit)

"""How far a scope's clock must be off, from when its card was prepared and when it was read.

Shown to people; it orders nothing and corrects nothing (I4, I9).
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta, tzinfo

EXIF_TIME = "%Y:%m:%d %H:%M:%S"
# Clocks set by hand are not set to the second.
BY_HAND = timedelta(minutes=10)


def moment(exif: str | None) -> datetime | None:
    """DateTimeOriginal as the scope's wall clock showed it, zone unknown (CIPA DC-008, from memory)."""
    try:
        return datetime.strptime((exif or "").strip("\0 "), EXIF_TIME)  # noqa: DTZ007
    except ValueError:
        return None


def least_offset(taken: Iterable[datetime], prepared: datetime, read: datetime) -> timedelta | None:
    """The least that a scope's clock is ahead (below zero: behind) if it ran evenly while the card was out.

    `taken` are its wall-clock times, `prepared` and `read` the site's. None when nothing can be said: a
    picture lies between the two, or they are further apart than both, so that no one shift explains all.
    """
    times = list(taken)
    if not times:
        return None
    first, last = min(times), max(times)
    if last - first > read - prepared + BY_HAND:
        return None
    if first > read + BY_HAND:
        return last - read
    if last < prepared - BY_HAND:
        return first - prepared
    return None


def local(at: datetime, zone: tzinfo) -> datetime:
    """What a clock on the wall there shows."""
    return at.astimezone(zone).replace(tzinfo=None)


def offset_text(offset: timedelta) -> str:
    """`the scope's clock seems at least 2 h ahead`."""
    minutes = abs(offset) / timedelta(minutes=1)
    size = f"{minutes:.0f} min" if minutes < 90 else f"{minutes / 60:.0f} h"
    if minutes >= 48 * 60:
        size = f"{minutes / 1440:.0f} days"
    return f"the scope's clock seems at least {size} {'ahead' if offset > timedelta(0) else 'behind'}"

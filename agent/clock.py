"""Two clocks: that of the day, which is set by people, and one for waits and rates, which nobody sets."""

from __future__ import annotations

import time
from datetime import UTC, datetime

# Where the system can tell, a sleep of the computer counts as well.
_CLOCK = getattr(time, "CLOCK_BOOTTIME", None)


def now() -> datetime:
    return datetime.now(UTC)


def steady() -> float:
    """Seconds that never jump with the clock."""
    return time.monotonic() if _CLOCK is None else time.clock_gettime(_CLOCK)

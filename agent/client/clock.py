"""A clock for waits and rates, which a person or a time server does not set."""

from __future__ import annotations

import time

# Where the system can tell, a sleep of the computer counts as well.
_CLOCK = getattr(time, "CLOCK_BOOTTIME", None)


def steady() -> float:
    """Seconds that never jump with the clock."""
    return time.monotonic() if _CLOCK is None else time.clock_gettime(_CLOCK)

"""Which serial number was meant. Pure."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def nearest(serial: str, known: Iterable[str], count: int = 5) -> list[str]:
    """Known serials that look most like `serial`, the closest first."""
    by_folded = {other.casefold(): other for other in known}
    close = difflib.get_close_matches(serial.casefold(), by_folded, n=count, cutoff=0.5)
    return [by_folded[other] for other in close]

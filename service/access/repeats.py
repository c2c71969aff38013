"""Refusals that repeat themselves are counted, so that nobody fills the access log with them. Pure."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

WINDOW_S = 60.0
# Different refusals of one caller, or of one network address, that are told apart within a window.
APART = 10
MOST_RUNNING = 10_000

FURTHER = "further refusals"
OF_MANY = "refusals of many callers"

# Who was refused, and what.
Key = tuple[str, str]


@dataclass(slots=True)
class Repeat:
    """A refusal that is on record; `times`: how often it came again since, with the `values` it had first."""

    until: float
    values: dict[str, Any]
    times: int = 0


@dataclass(slots=True)
class Repeats:
    """The first refusal is recorded at once. The same of the same caller counts up for a minute, and so do
    all that are the eleventh different one or later: a caller makes at most 22 rows in a minute, and all
    callers together 20,002 of each kind."""

    _running: dict[Key, Repeat] = field(default_factory=dict)
    _different: Counter[str] = field(default_factory=Counter)

    def recorded(self, who: str, what: str, values: dict[str, Any], now: float) -> dict[str, Any] | None:
        """The row to record at once; None where the refusal was counted. `values` holds its `kind`."""
        key = (who, what)
        if key not in self._running:
            key, values = self._bounded(key, values)
        running = self._running.get(key)
        if running is not None and now < running.until:
            running.times += 1
            return None
        if running is None:
            self._different[who] += 1
        self._running[key] = Repeat(now + WINDOW_S, values)
        return values | {"times": 1 + (running.times if running else 0)}

    def _bounded(self, key: Key, values: dict[str, Any]) -> tuple[Key, dict[str, Any]]:
        who, _ = key
        if len(self._running) >= MOST_RUNNING:
            return ("", values["kind"]), dict.fromkeys(values) | {"kind": values["kind"], "concerns": OF_MANY}
        if self._different[who] >= APART:
            unnamed = dict.fromkeys(("route", "detail", "account_id", "login_hash", "request_id"))
            return (who, FURTHER), values | unnamed | {"concerns": FURTHER}
        return key, values

    def ended(self, now: float) -> list[dict[str, Any]]:
        """The rows with the counts of windows that have ended."""
        over = [key for key, repeat in self._running.items() if repeat.until <= now]
        counted = [self._running.pop(key) for key in over]
        self._different = Counter(who for who, _ in self._running)
        return [repeat.values | {"times": repeat.times} for repeat in counted if repeat.times]

    def __bool__(self) -> bool:
        return bool(self._running)

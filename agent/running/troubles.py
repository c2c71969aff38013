"""What is wrong now, each told once when it begins and once when it is over."""

from __future__ import annotations

from collections.abc import Callable

LINK = "the link"


class Troubles:
    """Keyed by what the trouble is about. Silence about something leaves its trouble as it was."""

    def __init__(self, log: Callable[[str], None]) -> None:
        self._log = log
        self._standing: dict[str, str] = {}

    def begun(self, about: str, text: str) -> None:
        """Something went wrong; the same again is not told again."""
        if self._standing.get(about) != text:
            self._log(text)
        self._standing[about] = text

    def over(self, about: str) -> None:
        """It went well this time."""
        if self._standing.pop(about, None) is not None and about == LINK:
            self._log("the link is back")

"""Takes each card that is put in. One in trouble never holds up another, whatever the trouble is."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from threading import Event
from uuid import UUID

from agent.cards.identifying import identify
from agent.cards.marker import read_marker
from agent.cards.media import media_present
from agent.cards.reading import read_card
from agent.cards.slots import reading_key
from agent.cards.stating import Given
from agent.cards.taking import ReadingProgress
from agent.cards.walking import Survey, survey
from agent.errors import AgentError, why
from agent.outbox.database import is_damage
from agent.outbox.room import DISK_FULL, ReadingStopped
from agent.wording import custody_words
from agent.workstation import Workstation
from service.contract.showing import plain

Log = Callable[[str], None]
# Seconds until a card that could not be taken is tried again, so that a person has time to act: longer and
# longer.
SHORTEST_PAUSE, LONGEST_PAUSE = 60.0, 3600.0
# A disk that is full may have room again at any moment.
FULL_PAUSE = 5.0
NEVER = float("inf")


@dataclass
class Passed:
    """A card that is in a slot and not to be read before `until`; `tries` is how often it was in vain."""

    root: Path
    until: float
    tries: int = 0
    trouble: str = ""


class CardWatch:
    """For one thread. `log` gets what a person should know."""

    def __init__(self, log: Log, stop: Event, short: Event) -> None:
        """`short` is set while a card waits for room on the disk."""
        self._log, self._stop, self._short = log, stop, short
        self._passed: dict[str, Passed] = {}

    def look(self, station: Workstation) -> list[AgentError]:
        """Read every card that is in and was not read since it was put in; what went wrong."""
        present = media_present(station.settings)
        station.outbox.insertions.forget_absent(map(str, present))
        self._passed = {key: passed for key, passed in self._passed.items() if passed.root in present}
        troubles = []
        for root in present:
            if self._stop.is_set():
                break
            trouble = self._look_at(station, root)
            if trouble is not None:
                troubles.append(trouble)
        return troubles

    def _look_at(self, station: Workstation, root: Path) -> AgentError | None:
        """What is new trouble with this card; trouble that was told is not told again."""
        key = str(root)
        try:
            found = survey(root)
            key = reading_key(root, found)
            if station.outbox.insertions.return_of(key) is None and self._is_due(key):
                self._take(station, root, key, found)
        except ReadingStopped as error:
            return error
        except OSError as error:
            return self._put_off(key, root, AgentError(f"{root} cannot be looked at: {why(error)}."))
        except AgentError as error:
            return self._put_off(key, root, error)
        except Exception as error:
            if is_damage(error):
                raise
            return self._put_off(key, root, _unexpected(root, error))
        return None

    def _take(self, station: Workstation, root: Path, key: str, found: Survey) -> None:
        if found.files == 0:
            # Nothing but what a preparation wrote, or nothing at all: there is nothing to read yet.
            return
        if read_marker(root) is None and not station.settings.take_unmarked:
            self._passed[key] = Passed(root, NEVER)
            self._log(
                f"{root} holds no marker of ours; to take it: sightledger-agent read {root} --unit SERIAL"
            )
            return
        card = identify(station.state, station.cache, station.enrolment, root, Given())
        self._log(f"{root}: still reading - leave the card in ({found.files} files)")
        progress = ReadingProgress(
            stopping=self._stop.is_set,
            say=lambda text: self._log(f"{root}: {text}"),
            relieve=self._short.set,
        )
        return_id = read_card(station.state, station.outbox, station.spool, card, found, progress)
        self._tell(station, root, card.unit, return_id)
        if station.outbox.insertions.return_of(key) is None:
            # Not read to its end: once more after a while, then only when it is put in again.
            tries = self._tries(key)
            self._passed[key] = Passed(root, NEVER if tries else time.monotonic() + SHORTEST_PAUSE, tries + 1)

    def _tell(self, station: Workstation, root: Path, unit: str | None, return_id: UUID) -> None:
        words = custody_words(station.outbox.returns.shown(return_id))
        self._log(f"{root}: {unit or 'no unit picked'}: {words}")
        for unread in station.outbox.unread.of(return_id)[:NAMED]:
            self._log(f"{root}: not read: {plain(unread.path)}: {unread.why}")

    def _is_due(self, key: str) -> bool:
        passed = self._passed.get(key)
        return passed is None or passed.until <= time.monotonic()

    def _tries(self, key: str) -> int:
        passed = self._passed.get(key)
        return passed.tries if passed is not None else 0

    def _put_off(self, key: str, root: Path, error: AgentError) -> AgentError | None:
        tries = self._tries(key)
        full = isinstance(error, DISK_FULL)
        pause = FULL_PAUSE if full else min(LONGEST_PAUSE, SHORTEST_PAUSE * 2**tries)
        known = self._passed[key].trouble if tries else ""
        self._passed[key] = Passed(root, time.monotonic() + pause, tries + 1, error.detail)
        return None if known == error.detail else named(error, root)


NAMED = 20


def named(error: AgentError, root: Path) -> AgentError:
    """The same trouble, told with the card that it is about."""
    if str(root) in error.detail:
        return error
    of_card = type(error).__new__(type(error))
    AgentError.__init__(of_card, f"{root}: {error.detail}", error.consequence, error.next_step)
    return of_card


def _unexpected(root: Path, error: Exception) -> AgentError:
    return AgentError(
        f"The card at {root} could not be read, for a reason not foreseen ({type(error).__name__}: {error}).",
        "What was copied of it is kept and pushed, marked as not complete; other cards are read. "
        "Do not wipe the card.",
        "Take it out and put it in again; if it stays so, keep the card and report this line.",
    )

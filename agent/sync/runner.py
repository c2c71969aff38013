"""`run`: takes each card once, keeps pulling and pushing, tells the service that it lives."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from uuid import UUID

from agent.cards.identifying import Said, identify
from agent.cards.marker import MARKER_NAME, Marker, read_marker
from agent.cards.media import media_present
from agent.cards.reading import Progress, close_interrupted, read_card, taken_key
from agent.cards.walking import Survey, Walk, readable, survey
from agent.client.service import Service
from agent.errors import AgentError, LinkDown
from agent.locking import lock
from agent.outbox.pruning import prune
from agent.settings import State
from agent.sync.pull import pull
from agent.sync.push import push_due, push_preparations
from agent.wording import standing_of
from agent.workstation import Workstation

Log = Callable[[str], None]
RETRY_CARD = 60.0
BREATH = 1.0


class Runner:
    """Two loops in two threads, each with its own outbox: cards never wait for the link."""

    def __init__(self, state: State, log: Log) -> None:
        self._state = state
        self._log = log
        self._stop = threading.Event()
        # Cards that are in a slot and not to be read now: where each is, and until when.
        self._passed_over: dict[str, tuple[Path, float]] = {}
        self._said = ""

    def stop(self) -> None:
        self._stop.set()

    def once(self) -> list[AgentError]:
        """One pass of everything; what went wrong."""
        with Workstation(self._state) as station:
            self._close_interrupted(station)
            troubles = self._link_pass(station, pulling=True, reporting=False)
            troubles += self._card_pass(station)
            return troubles + self._link_pass(station, pulling=False, reporting=True, forced=True)

    def forever(self) -> None:
        """Until `stop`; whatever fails is said and tried again."""
        with Workstation(self._state) as station:
            self._close_interrupted(station)
        cards = threading.Thread(target=self._loop, args=(self._cards_turn,), name="cards", daemon=True)
        link = threading.Thread(target=self._loop, args=(self._link_turn,), name="link", daemon=True)
        cards.start()
        link.start()
        while not self._stop.wait(0.5):
            pass
        cards.join()
        link.join()

    def _loop(self, turn: Callable[[Workstation, dict[str, float]], None]) -> None:
        due: dict[str, float] = {}
        with Workstation(self._state) as station:
            while not self._stop.is_set():
                try:
                    turn(station, due)
                except Exception as error:
                    # A workstation that stopped taking cards would be worse than any single failure.
                    self._log(f"unexpected trouble, carrying on: {type(error).__name__}: {error}")
                    self._stop.wait(5)

    def _cards_turn(self, station: Workstation, due: dict[str, float]) -> None:
        for trouble in self._card_pass(station):
            self._log(trouble.text())
        self._stop.wait(station.settings.watch_every)

    def _link_turn(self, station: Workstation, due: dict[str, float]) -> None:
        at, settings = time.monotonic(), station.settings
        pulling, reporting = at >= due.get("pull", 0), at >= due.get("report", 0)
        troubles = self._link_pass(station, pulling, reporting)
        if pulling:
            due["pull"] = at + settings.pull_every
        if reporting:
            due["report"] = at + settings.report_every
        self._say_once("; ".join(trouble.detail for trouble in troubles))
        self._stop.wait(BREATH)

    def _say_once(self, text: str) -> None:
        if text and text != self._said:
            self._log(text)
        if not text and self._said:
            self._log("the link is back")
        self._said = text

    def _close_interrupted(self, station: Workstation) -> None:
        for return_id in close_interrupted(station.state, station.returns, station.spool):
            self._log(
                f"card return {return_id} was broken off; what was copied is pushed, marked as not complete"
            )

    def _link_pass(
        self, station: Workstation, pulling: bool, reporting: bool, forced: bool = False
    ) -> list[AgentError]:
        troubles: list[AgentError] = []
        with station.service() as service:
            steps: list[Callable[[], None]] = [
                lambda: push_preparations(station.returns, service),
                lambda: troubles.extend(self._push(station, service, forced)),
            ]
            if pulling:
                steps.insert(0, lambda: self._pull(station, service))
            if reporting:
                steps.append(lambda: service.report(station.enrolment.id, station.report()))
            for step in steps:
                try:
                    step()
                except LinkDown as error:
                    return [*troubles, error]
                except AgentError as error:
                    troubles.append(error)
        return troubles

    def _pull(self, station: Workstation, service: Service) -> None:
        outcome = pull(station.cache, service, station.enrolment.site)
        if outcome.changed:
            new = f", new plan revisions: {', '.join(outcome.revisions_new)}" if outcome.revisions_new else ""
            self._log(f"worklist: {outcome.inspections} inspections{new}")

    def _push(self, station: Workstation, service: Service, forced: bool) -> list[AgentError]:
        waiting = station.returns.in_state("copied")
        if not waiting:
            return []
        with lock(station.state.locks / "push.lock") as ours:
            if not ours:
                return []
            with station.pusher(service) as pusher:
                pusher.stopping = self._stop.is_set
                troubles = push_due(pusher, station.returns, self._stop.is_set, forced)
            for row in waiting:
                standing = station.returns.one(UUID(row["id"]))
                if standing is not None and standing["state"] == "held":
                    self._log(f"{standing['unit'] or 'card'}: {standing_of(standing)}")
            prune(station.returns, station.spool, station.settings)
        return troubles

    def _card_pass(self, station: Workstation) -> list[AgentError]:
        troubles = []
        present = media_present(station.settings)
        self._passed_over = {key: one for key, one in self._passed_over.items() if one[0] in present}
        for root in present:
            if self._stop.is_set():
                break
            try:
                self._look_at(station, root)
            except AgentError as error:
                troubles.append(error)
        return troubles

    def _look_at(self, station: Workstation, root: Path) -> None:
        marker, found = read_marker(root), survey(root)
        key = taken_key(marker, found)
        if station.returns.was_taken(key) or self._passed_over.get(key, (root, 0.0))[1] > time.monotonic():
            return
        if holds_only_ours(root, marker):
            return
        if marker is None and not station.settings.take_unmarked:
            self._passed_over[key] = (root, float("inf"))
            self._log(
                f"{root} holds no marker of ours; to take it: sightledger-agent read {root} --unit SERIAL"
            )
            return
        # Should it fail, a person has time to act before it is tried again.
        self._passed_over[key] = (root, time.monotonic() + RETRY_CARD)
        self._take(station, root, found)
        # Read, though perhaps not to its end: once more when it is put in again.
        self._passed_over[key] = (root, float("inf"))

    def _take(self, station: Workstation, root: Path, found: Survey) -> None:
        card = identify(station.state, station.cache, station.enrolment, root, Said())
        self._log(f"{root}: still reading - leave the card in ({found.files} files)")
        return_id = read_card(
            station.state, station.returns, station.spool, card, found, Progress(stopping=self._stop.is_set)
        )
        standing = station.returns.one(return_id)
        assert standing is not None
        self._log(f"{card.unit or root}: {standing_of(standing)}")


def holds_only_ours(root: Path, marker: Marker | None) -> bool:
    """A card without a file but those of its preparation: there is nothing to read yet."""
    ours = {MARKER_NAME, *(marker.own_files if marker else ())}
    return all(readable(entry.name)[0] in ours for entry in Walk(root))

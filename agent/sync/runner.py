"""`run`: takes each card once, keeps pulling and pushing, tells the service that it lives."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from uuid import UUID

from agent.cards.identifying import Said, identify
from agent.cards.marker import MARKER_NAME, Marker, read_marker
from agent.cards.media import media_present
from agent.cards.reading import Progress, close_interrupted, read_card, taken_key
from agent.cards.walking import Survey, Walk, readable, survey
from agent.client.clock import steady
from agent.client.http import origin_of
from agent.client.service import Service
from agent.client.store import answers
from agent.errors import AgentError, LinkDown, Stopped
from agent.locking import lock
from agent.outbox.database import is_damage, now
from agent.outbox.pruning import prune
from agent.outbox.rebuilding import ask_held
from agent.settings import State
from agent.sync.progress import Shown, text_of
from agent.sync.pull import pull
from agent.sync.push import push_due, push_preparations
from agent.sync.refused import ask_refused, refused_lines
from agent.sync.waiting import Reach, Waits
from agent.wording import standing_of
from agent.workstation import Workstation

Log = Callable[[str], None]
RETRY_CARD = 60.0
BREATH = 1.0
PROBE_SECONDS = 5.0
TELL_EVERY = 30.0


class Runner:
    """Two loops in two threads, each with its own outbox: cards never wait for the link."""

    def __init__(self, state: State, log: Log) -> None:
        self._state = state
        self._log = log
        self._stop = threading.Event()
        # Cards that are in a slot and not to be read now: where each is, and until when.
        self._passed_over: dict[str, tuple[Path, float]] = {}
        # Incomplete ones that were tried once more without being taken out.
        self._tried: set[str] = set()
        self._said = ""
        self._service, self._store = Reach(), Reach()
        self._store_origin = ""
        self._waits = Waits()
        self._told_at = 0.0
        self._refused: set[str] = set()

    def stop(self) -> None:
        self._stop.set()

    def once(self) -> list[AgentError]:
        """One pass of everything; what went wrong."""
        with Workstation(self._state, self._log) as station:
            self._close_interrupted(station)
            troubles = self._link_pass(station, pulling=True, reporting=False)
            troubles += self._card_pass(station)
            return troubles + self._link_pass(station, pulling=False, reporting=True, forced=True)

    def forever(self) -> None:
        """Until `stop`; whatever fails is said and tried again."""
        with Workstation(self._state, self._log) as station:
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
        while not self._stop.is_set():
            try:
                with Workstation(self._state, self._log) as station:
                    self._turns(station, turn, due)
            except Exception as error:
                # A workstation that stopped taking cards would be worse than any single failure.
                self._log(f"unexpected trouble, carrying on: {type(error).__name__}: {error}")
                self._stop.wait(5)

    def _turns(
        self,
        station: Workstation,
        turn: Callable[[Workstation, dict[str, float]], None],
        due: dict[str, float],
    ) -> None:
        """Until asked to stop, or until the outbox must be opened again."""
        while not self._stop.is_set() and station.is_current():
            try:
                turn(station, due)
            except Exception as error:
                self._log(f"unexpected trouble, carrying on: {type(error).__name__}: {error}")
                if is_damage(error):
                    raise
                self._stop.wait(5)

    def _cards_turn(self, station: Workstation, due: dict[str, float]) -> None:
        for trouble in self._card_pass(station):
            self._log(trouble.text())
        self._stop.wait(station.settings.watch_every)

    def _link_turn(self, station: Workstation, due: dict[str, float]) -> None:
        at, settings = steady(), station.settings
        pulling, reporting = at >= due.get("pull", 0), at >= due.get("report", 0)
        if self._service.due() and (not self._service.down or service_answers(station)):
            was_down, passed = self._service.down, station.traffic.meter.total
            troubles = self._link_pass(station, pulling or was_down, reporting or was_down)
            self._note_reach(station, troubles, station.traffic.meter.total > passed)
            if not self._service.down:
                due |= {"pull": at + settings.pull_every} if pulling else {}
                due |= {"report": at + settings.report_every} if reporting else {}
            self._say_once("; ".join(one.detail for one in troubles if not isinstance(one, Stopped)))
        elif self._service.due():
            self._service.lost()
        self._stop.wait(BREATH)

    def _note_reach(self, station: Workstation, troubles: list[AgentError], moved: bool) -> None:
        """Whose fault it was: without the store cards are still prepared and plans pulled."""
        lost = [one for one in troubles if isinstance(one, LinkDown) and not isinstance(one, Stopped)]
        of_store = [one for one in lost if one.origin not in (None, origin_of(station.enrolment.url))]
        if len(lost) > len(of_store):
            self._service.lost(moved)
        else:
            self._service.serves()
        if of_store:
            self._store_origin = of_store[0].origin or ""
            self._store.lost(moved)

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
                lambda: push_preparations(station.returns, service, again=pulling),
                lambda: troubles.extend(self._push(station, service, forced)),
            ]
            if pulling:
                steps.insert(0, lambda: self._pull(station, service))
                steps.append(lambda: _explain(station, service))
                steps.append(lambda: ask_refused(station.returns, service))
            steps.append(lambda: self._name_refused(station))
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

    def _name_refused(self, station: Workstation) -> None:
        """Each refusal that is open, once by this process."""
        lines = refused_lines(station.returns)
        for line in lines:
            if line not in self._refused:
                self._log(line)
        self._refused = set(lines)

    def _pull(self, station: Workstation, service: Service) -> None:
        outcome = pull(station.cache, service, station.enrolment.site)
        if outcome.changed:
            new = f", new plan revisions: {', '.join(outcome.revisions_new)}" if outcome.revisions_new else ""
            self._log(f"worklist: {outcome.inspections} inspections{new}")

    def _push(self, station: Workstation, service: Service, forced: bool) -> list[AgentError]:
        waiting = station.returns.in_state("copied")
        if not waiting or not self._may_push(station, waiting, forced):
            return []
        with lock(station.state.locks / "push.lock") as ours:
            if not ours:
                return []
            with station.pusher(service) as pusher:
                pusher.stopping = lambda: self._stop.is_set() or not station.allowance.open(now())
                pusher.show = self._tell
                troubles = push_due(pusher, station.returns, pusher.stopping, forced, self._waits)
            for row in waiting:
                standing = station.returns.one(UUID(row["id"]))
                if standing is not None and standing["state"] == "held":
                    self._log(f"{standing['unit'] or 'card'}: {standing_of(standing)}")
            prune(station.returns, station.spool, station.settings)
        return troubles

    def _may_push(self, station: Workstation, waiting: Sequence[sqlite3.Row], forced: bool) -> bool:
        if not station.allowance.open(now()):
            return False
        if forced:
            return True
        if not any(self._waits.due(row["id"], row["next_try"]) for row in waiting):
            return False
        if not self._store.down:
            return True
        if not self._store.due():
            return False
        if answers(self._store_origin, PROBE_SECONDS):
            self._store.serves()
            return True
        self._store.lost()
        return False

    def _tell(self, shown: Shown) -> None:
        if steady() - self._told_at >= TELL_EVERY:
            self._told_at = steady()
            self._log(f"pushing {shown.card_return}: {text_of(shown)}")

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
        # Not read to its end: once more when it is put in again. One that was pulled, and is back already, is
        # another listing than that which was read, or is tried again after a while.
        self._passed_over[key] = (root, self._until_again(root, key, found))

    def _until_again(self, root: Path, key: str, found: Survey) -> float:
        if survey(root).fingerprint != found.fingerprint or key not in self._tried:
            self._tried.add(key)
            return time.monotonic() + RETRY_CARD
        return float("inf")

    def _take(self, station: Workstation, root: Path, found: Survey) -> None:
        card = identify(station.state, station.cache, station.enrolment, root, Said())
        self._log(f"{root}: still reading - leave the card in ({found.files} files)")
        return_id = read_card(
            station.state,
            station.returns,
            station.spool,
            card,
            found,
            Progress(stopping=self._stop.is_set, say=lambda text: self._log(f"{root}: {text}")),
        )
        standing = station.returns.one(return_id)
        assert standing is not None
        self._log(f"{card.unit or root}: {standing_of(standing)}")


def _explain(station: Workstation, service: Service) -> None:
    """What a rebuild found in the spool without a card return may be held already, and then be pruned."""
    ask_held(station.returns, service)


def service_answers(station: Workstation) -> bool:
    """By the least there is to ask, on a fresh connection."""
    service = Service(station.enrolment.url, timeout=PROBE_SECONDS)
    try:
        service.keys()
    except LinkDown:
        return False
    except AgentError:
        return True
    finally:
        service.close()
    return True


def holds_only_ours(root: Path, marker: Marker | None) -> bool:
    """A card without a file but those of its preparation: there is nothing to read yet."""
    ours = {MARKER_NAME, *(marker.own_files if marker else ())}
    return all(readable(entry.name)[0] in ours for entry in Walk(root))

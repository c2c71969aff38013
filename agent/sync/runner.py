"""`run`: takes each card once, keeps pulling and pushing, tells the service that it lives."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Sequence
from uuid import UUID

from agent.cards.reading import close_interrupted
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
from agent.sync.waiting import Reach, Waits
from agent.sync.watching import CardWatch, Log
from agent.wording import standing_of
from agent.workstation import Workstation

BREATH = 1.0
PROBE_SECONDS = 5.0
TELL_EVERY = 30.0


class Runner:
    """Two loops in two threads, each with its own outbox: cards never wait for the link."""

    def __init__(self, state: State, log: Log) -> None:
        self._state = state
        self._log = log
        self._stop = threading.Event()
        self._cards = CardWatch(log, self._stop)
        self._said = ""
        self._service, self._store = Reach(), Reach()
        self._store_origin = ""
        self._waits = Waits()
        self._told_at = 0.0

    def stop(self) -> None:
        self._stop.set()

    def once(self) -> list[AgentError]:
        """One pass of everything; what went wrong."""
        with Workstation(self._state, self._log) as station:
            self._close_interrupted(station)
            troubles = self._link_pass(station, pulling=True, reporting=False)
            troubles += self._cards.look(station)
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
        for trouble in self._cards.look(station):
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
                lambda: push_preparations(station.returns, service),
                lambda: troubles.extend(self._push(station, service, forced)),
            ]
            if pulling:
                steps.insert(0, lambda: self._pull(station, service))
                steps.append(lambda: _explain(station, service))
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
                shown = station.returns.shown(UUID(row["id"]))
                if shown["state"] == "held":
                    self._log(f"{shown['unit'] or 'card'}: {standing_of(shown)}")
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

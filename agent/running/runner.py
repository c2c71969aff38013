"""`run`: takes each card once, keeps pulling and pushing, tells the service that it lives."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TypeGuard

from agent.cards.reading import close_interrupted
from agent.client.http import origin_of
from agent.client.service import Service
from agent.client.store import answers
from agent.clock import now, steady
from agent.errors import AgentError, LinkDown, Stopped
from agent.locking import lock
from agent.outbox.card_return import CardReturn
from agent.outbox.database import explained, is_damage
from agent.outbox.pruning import prune
from agent.outbox.rebuilding import ask_held
from agent.outbox.room import DISK_FULL
from agent.running.relieving import relieve
from agent.running.troubles import LINK, Troubles
from agent.running.watching import CardWatch, Log
from agent.settings import State
from agent.sync.comparing import compare
from agent.sync.progress import PushProgress, text_of
from agent.sync.pull import pull
from agent.sync.push import push_due, push_preparations
from agent.sync.refused import ask_refused, refused_lines
from agent.sync.spoken import push_spoken
from agent.sync.waiting import ServerReach, Waits
from agent.wording import custody_words
from agent.workstation import Workstation

# Seconds, 30 days.
RENEW_AFTER = 30 * 86_400.0
BREATH = 1.0
PROBE_SECONDS = 5.0
AFTER_TROUBLE = 5.0
TELL_EVERY = 30.0


@dataclass
class LinkPass:
    """Which steps of a pass over the link were tried, and what went wrong with them. `heard`: the service has
    answered something."""

    heard: bool = False
    tried: list[str] = field(default_factory=list)
    troubles: dict[str, AgentError] = field(default_factory=dict)


class Runner:
    """Two loops in two threads, each with its own outbox: cards never wait for the link."""

    def __init__(self, state: State, log: Log) -> None:
        self._state = state
        self._log = log
        self._stop = threading.Event()
        self._short = threading.Event()
        self._cards = CardWatch(log, self._stop, self._short)
        self._troubles = Troubles(log)
        self._service, self._store = ServerReach(), ServerReach()
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
            first = self._link_pass(station, pulling=True, reporting=False, comparing=True)
            troubles = [*first.troubles.values(), *self._cards.look(station)]
            last = self._link_pass(station, pulling=False, reporting=True, forced=True)
            return [*troubles, *last.troubles.values()]

    def forever(self) -> None:
        """Until `stop`; whatever fails is said and tried again. Raises where there is nothing to begin with:
        no enrolment, settings that cannot be used."""
        while not self._begun():
            if self._stop.is_set():
                return
        cards = threading.Thread(target=self._loop, args=(self._cards_turn,), name="cards", daemon=True)
        link = threading.Thread(target=self._loop, args=(self._link_turn,), name="link", daemon=True)
        cards.start()
        link.start()
        while not self._stop.wait(0.5):
            pass
        cards.join()
        link.join()

    def _begun(self) -> bool:
        """False while the disk is full: there will be room again, and nobody may be there to start anew."""
        try:
            with Workstation(self._state, self._log) as station:
                self._close_interrupted(station)
        except Exception as error:
            if not isinstance(explained(error, self._state.database), DISK_FULL):
                raise
            self._carry_on("begin", error)
            return False
        return True

    def _loop(self, turn: Callable[[Workstation, dict[str, float]], None]) -> None:
        due: dict[str, float] = {}
        while not self._stop.is_set():
            try:
                with Workstation(self._state, self._log) as station:
                    self._turns(station, turn, due)
                    self._troubles.over(turn.__name__)
            except Exception as error:
                self._carry_on(turn.__name__, error)

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
                self._troubles.over(turn.__name__)
            except Exception as error:
                if is_damage(error):
                    raise
                self._carry_on(turn.__name__, error)

    def _carry_on(self, about: str, error: Exception) -> None:
        """A workstation that stopped taking cards would be worse than any single failure."""
        self._troubles.begun(about, explained(error, self._state.database).text())
        self._stop.wait(AFTER_TROUBLE)

    def _cards_turn(self, station: Workstation, due: dict[str, float]) -> None:
        for trouble in self._cards.look(station):
            self._log(trouble.text())
        self._stop.wait(station.settings.watch_every)

    def _link_turn(self, station: Workstation, due: dict[str, float]) -> None:
        at, settings = steady(), station.settings
        pulling, reporting = at >= due.get("pull", 0), at >= due.get("report", 0)
        if self._service.due() and (not self._service.down or service_answers(station)):
            was_down, passed = self._service.down, station.traffic.meter.total
            comparing = at >= due.get("compare", 0)
            made = self._link_pass(station, pulling or was_down, reporting or was_down, comparing=comparing)
            self._note_reach(station, made, station.traffic.meter.total > passed)
            if not self._service.down:
                due |= {"pull": at + settings.pull_every} if pulling else {}
                due |= {"report": at + settings.report_every} if reporting else {}
                due |= {"compare": at + settings.compare_every} if comparing else {}
            self._tell_troubles(made)
        elif self._service.due():
            self._service.lost()
        self._stop.wait(BREATH)

    def _note_reach(self, station: Workstation, made: LinkPass, moved: bool) -> None:
        """Whose fault it was: without the store cards are still prepared and plans pulled."""
        lost = [trouble for trouble in made.troubles.values() if _is_lost(trouble)]
        of_store = [
            trouble for trouble in lost if trouble.origin not in (None, origin_of(station.enrolment.url))
        ]
        if len(lost) > len(of_store):
            self._service.lost(moved)
        else:
            self._service.serves()
        if of_store:
            self._store_origin = of_store[0].origin or ""
            self._store.lost(moved)

    def _tell_troubles(self, made: LinkPass) -> None:
        lost = next((trouble for trouble in made.troubles.values() if _is_lost(trouble)), None)
        if lost is not None:
            self._troubles.begun(LINK, lost.text())
        elif made.heard:
            self._troubles.over(LINK)
        for about in made.tried:
            trouble = made.troubles.get(about)
            if trouble is None:
                self._troubles.over(about)
            elif not isinstance(trouble, LinkDown):
                self._troubles.begun(about, trouble.text())

    def _close_interrupted(self, station: Workstation) -> None:
        for return_id in close_interrupted(station.state, station.outbox, station.spool):
            self._log(
                f"card return {return_id} was broken off; what was copied is pushed, marked as not complete"
            )

    def _link_pass(
        self,
        station: Workstation,
        pulling: bool,
        reporting: bool,
        forced: bool = False,
        comparing: bool = False,
    ) -> LinkPass:
        """Every step that is due, until the link fails."""
        made = LinkPass()
        with station.service() as service:
            steps: dict[str, Callable[[], bool | None]] = {
                "statements": lambda: push_spoken(station.outbox.spoken, service),
                "preparations": lambda: push_preparations(
                    station.outbox.preparations, service, again=pulling
                ),
                "push": lambda: self._push(station, service, forced),
                "ahead": lambda: self._push_ahead(station),
            }
            if comparing:
                steps = {"compare": lambda: self._compare(station, service), **steps}
                steps["token"] = lambda: _renew(station, service)
            if pulling:
                steps = {"pull": lambda: self._pull(station, service), **steps}
                steps["explain"] = lambda: _explain(station, service)
                steps["refused"] = lambda: ask_refused(station.outbox.statements, service)
            if reporting:
                steps["report"] = lambda: service.report(station.enrolment.id, station.report())
            for about, step in steps.items():
                try:
                    if step() is not False:
                        made.tried.append(about)
                except AgentError as error:
                    made.tried.append(about)
                    made.troubles[about] = error
                    if isinstance(error, LinkDown):
                        break
            made.heard = service.clock_offset is not None
        self._name_refused(station)
        return made

    def _name_refused(self, station: Workstation) -> None:
        """Each refusal that is open, once by this process."""
        lines = refused_lines(station.outbox)
        for line in lines:
            if line not in self._refused:
                self._log(line)
        self._refused = set(lines)

    def _pull(self, station: Workstation, service: Service) -> None:
        outcome = pull(station.cache, service, station.enrolment.site)
        if outcome.changed:
            new = f", new plan revisions: {', '.join(outcome.revisions_new)}" if outcome.revisions_new else ""
            self._log(f"worklist: {outcome.inspections} inspections{new}")

    def _compare(self, station: Workstation, service: Service) -> None:
        lost = compare(station.outbox, service)
        if lost:
            self._log(
                f"the service no longer knows {len(lost)} card returns that it had given receipts for (was "
                "an older database put back?): they are offered again; do not wipe their cards"
            )

    def _push(self, station: Workstation, service: Service, forced: bool) -> bool:
        """Push what is due; False when nothing was. Raises the first trouble, of which more may follow."""
        waiting = station.outbox.returns.in_state("copied")
        if not waiting or not self._may_push(station, waiting, forced):
            return False
        with lock(station.state.locks / "push.lock") as ours:
            if not ours:
                return False
            with station.pusher(service) as pusher:
                pusher.stopping = lambda: self._stop.is_set() or not station.allowance.open(now())
                pusher.show = self._tell
                troubles = push_due(pusher, station.outbox, pusher.stopping, forced, self._waits)
            for pushed in waiting:
                shown = station.outbox.returns.shown(pushed.id)
                if shown.state == "held":
                    self._log(f"{shown.unit or 'card'}: {custody_words(shown)}")
            prune(station.outbox, station.spool, station.settings)
        if troubles:
            raise _joined(troubles)
        return True

    def _push_ahead(self, station: Workstation) -> bool:
        """Make room for a card that waits for it in the other thread; False when none does."""
        if not self._short.is_set() or not station.allowance.open(now()):
            return False
        relieve(station, self._stop.is_set)
        self._short.clear()
        return True

    def _may_push(self, station: Workstation, waiting: Sequence[CardReturn], forced: bool) -> bool:
        if not station.allowance.open(now()):
            return False
        if forced:
            return True
        if not any(self._waits.due(each.id, each.next_try) for each in waiting):
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

    def _tell(self, shown: PushProgress) -> None:
        if steady() - self._told_at >= TELL_EVERY:
            self._told_at = steady()
            self._log(f"pushing {shown.card_return}: {text_of(shown)}")


def _is_lost(trouble: AgentError) -> TypeGuard[LinkDown]:
    return isinstance(trouble, LinkDown) and not isinstance(trouble, Stopped)


def _joined(troubles: list[AgentError]) -> AgentError:
    """The trouble of the link, which ends a push, else all of it in one."""
    last = troubles[-1]
    if isinstance(last, LinkDown) or len(troubles) == 1:
        return last
    rest = (trouble.text() for trouble in troubles[1:])
    return AgentError("\n".join([troubles[0].text(), *rest]))


def _renew(station: Workstation, service: Service) -> None:
    """Long before the token ends: a workstation may be without a link for months."""
    if station.state.token_age() > RENEW_AFTER:
        station.state.keep_token(service.renew_token(station.enrolment.id))


def _explain(station: Workstation, service: Service) -> None:
    """What a rebuild found in the spool without a card return may be held already, and then be pruned."""
    ask_held(station.outbox.originals, service)


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

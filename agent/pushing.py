"""Pushing one card return while a person waits for it."""

from __future__ import annotations

import time
from collections.abc import Callable
from uuid import UUID

from agent import screen
from agent.clock import now, steady
from agent.errors import AgentError, LinkDown
from agent.locking import lock
from agent.outbox.pruning import prune
from agent.running.relieving import relieve
from agent.screen import escape
from agent.sync.large import ReadingBack
from agent.sync.push import is_for_good, push_preparations, sent_anew
from agent.sync.waiting import put_off, wait_after
from agent.workstation import Workstation

# How often in a row it may fail without anything having gone through.
TRIES = 5
WAIT_FOR_OTHER = 120.0
ASK_EVERY = 5.0
LONGEST_PAUSE = 15.0


def push_now(station: Workstation, return_id: UUID, wait: bool) -> UUID:
    """Push this return, once or (`wait`) until it is held or the link is of no use; the id it has then.

    A link that is down is no error of reading: it is said, and the return waits in the queue.
    """
    left, asked, passed = TRIES if wait else 1, False, station.traffic.meter.total
    while left:
        if not station.allowance.open(now()):
            screen.say("outside the hours in which pictures may go: it waits here, and goes by itself")
            return return_id
        try:
            if not _push_once(station, return_id):
                _wait_for_other(station, return_id, WAIT_FOR_OTHER if wait else 0)
            return return_id
        except AgentError as error:
            if is_for_good(error):
                anew = sent_anew(station.outbox, return_id)
                screen.say(anew.detail)
                return_id = anew.new
                continue
            put_off(station.outbox.returns, station.outbox.returns.get(return_id), error)
            if isinstance(error, ReadingBack):
                if not asked:
                    screen.say(error.detail)
                asked = True
                pause = ASK_EVERY
                left -= not wait
            elif isinstance(error, LinkDown):
                screen.errors.print(escape(error.detail), soft_wrap=True)
                moved, passed = station.traffic.meter.total > passed, station.traffic.meter.total
                left = TRIES if moved and wait else left - 1
                pause = min(LONGEST_PAUSE, wait_after(TRIES - left))
            else:
                screen.show_error(error)
                return return_id
        if left:
            time.sleep(pause)
    return return_id


def relief(station: Workstation, say: Callable[[str], None]) -> Callable[[], None]:
    """What makes room while a card is read by hand: what was copied so far goes ahead. For any thread."""
    shown: set[str] = set()

    def relieve_now() -> None:
        try:
            with Workstation(station.state) as own:
                if own.allowance.open(now()):
                    relieve(own, lambda: False)
        except AgentError as error:
            if error.detail not in shown:
                shown.add(error.detail)
                say(error.detail)

    return relieve_now


def _push_once(station: Workstation, return_id: UUID) -> bool:
    """False when another process of this workstation pushes."""
    with lock(station.state.locks / "push.lock") as ours:
        if not ours:
            return False
        with station.service() as service, station.pusher(service) as pusher:
            pusher.stopping = lambda: not station.allowance.open(now())
            push_preparations(station.outbox.preparations, service)
            with screen.pushing_progress() as show:
                pusher.show = show
                pusher.push(return_id)
        prune(station.outbox, station.spool, station.settings)
    for refused in station.outbox.statements.refused():
        if refused.return_id == return_id:
            screen.warn(refused.text())
    return True


def _wait_for_other(station: Workstation, return_id: UUID, seconds: float) -> None:
    """Another process of this workstation is pushing, and takes this return as well."""
    until = steady() + seconds
    while steady() < until:
        pushed = station.outbox.returns.find(return_id)
        if pushed is not None and pushed.state == "held":
            return
        time.sleep(0.2)

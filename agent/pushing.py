"""Pushing one card return while a person waits for it."""

from __future__ import annotations

import time
from collections.abc import Callable
from uuid import UUID

from rich.markup import escape

from agent import screen
from agent.client.clock import steady
from agent.errors import AgentError, LinkDown
from agent.locking import lock
from agent.outbox.database import now
from agent.outbox.pruning import prune
from agent.sync.large import ReadingBack
from agent.sync.progress import Shown, text_of
from agent.sync.push import push_preparations
from agent.sync.waiting import put_off, wait_after
from agent.workstation import Workstation

# How often in a row it may fail without anything having gone through.
TRIES = 5
WAIT_FOR_OTHER = 120.0
ASK_EVERY = 5.0
LONGEST_PAUSE = 15.0


def push_now(station: Workstation, return_id: UUID, wait: bool) -> None:
    """Push this return, once or (`wait`) until it is held or the link is of no use.

    A link that is down is no error of reading: it is said, and the return waits in the queue.
    """
    left, asked, passed = TRIES if wait else 1, False, station.traffic.meter.total
    while left:
        if not station.allowance.open(now()):
            screen.say("outside the hours in which pictures may go: it waits here, and goes by itself")
            return
        try:
            if not _push_once(station, return_id):
                _wait_for_other(station, return_id, WAIT_FOR_OTHER if wait else 0)
            return
        except AgentError as error:
            row = station.returns.one(return_id)
            assert row is not None
            put_off(station.returns, row, error)
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
                return
        if left:
            time.sleep(pause)


def _push_once(station: Workstation, return_id: UUID) -> bool:
    """False when another process of this workstation pushes."""
    with lock(station.state.locks / "push.lock") as ours:
        if not ours:
            return False
        with station.service() as service, station.pusher(service) as pusher:
            pusher.stopping = lambda: not station.allowance.open(now())
            pusher.show = _every(screen.PLAIN_EVERY)
            push_preparations(station.returns, service)
            pusher.push(return_id)
        prune(station.returns, station.spool, station.settings)
    for refused in station.returns.refused_statements():
        if refused.return_id == return_id:
            screen.errors.print(escape(refused.text()), style="bold", soft_wrap=True)
    return True


def _every(seconds: float) -> Callable[[Shown], None]:
    """Says how far the push is, not more often than that."""
    said = steady()

    def show(shown: Shown) -> None:
        nonlocal said
        if steady() - said >= seconds:
            said = steady()
            screen.say(f"pushing: {text_of(shown)}")

    return show


def _wait_for_other(station: Workstation, return_id: UUID, seconds: float) -> None:
    """Another process of this workstation is pushing, and takes this return as well."""
    until = steady() + seconds
    while steady() < until:
        row = station.returns.one(return_id)
        if row is not None and row["state"] == "held":
            return
        time.sleep(0.2)

"""Pushes card returns: manifest, bytes, commit, receipt. Every step can be repeated (I8)."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from uuid import UUID

from agent.client.service import Service
from agent.client.store import Store
from agent.client.traffic import Traffic
from agent.errors import AgentError, LinkDown, Refused, Stopped
from agent.hours import Allowance
from agent.outbox.again import reissue
from agent.outbox.outbox import Outbox
from agent.outbox.preparations import Preparations
from agent.outbox.spool import Spool
from agent.settings import Settings
from agent.sync.large import ReadingBack
from agent.sync.parts import PartSender
from agent.sync.progress import NOTE_EVERY, PushCount, PushProgress, leave_note, shown_every
from agent.sync.refused import learn_refused
from agent.sync.waiting import Waits, put_off
from service.contract.access import JwkSet
from service.contract.cards import MOST_ASIDE, CardReturnCommit, LargeLacking, ReceiptBody
from service.contract.failpoints import reach
from service.contract.work import StatementIn

COMMITS = 3
# Seconds between two questions whether a commit that the service is at has ended; the answer itself waits.
COMMIT_PAUSE = 0.2
# Reading back is asked after for so long before the next return has its turn.
PATIENCE = 5.0
# Sending again mends nothing.
FOR_GOOD = ("return-differs", "return-of-another-agent")


class Pusher:
    def __init__(
        self,
        outbox: Outbox,
        spool: Spool,
        service: Service,
        store: Store,
        keys: JwkSet,
        settings: Settings,
        traffic: Traffic | None = None,
        note: Path | None = None,
    ) -> None:
        self.outbox, self.spool, self.service, self.store = outbox, spool, service, store
        self.keys, self.settings = keys, settings
        self.traffic = traffic or Traffic(settings.uploads)
        self.stopping: Callable[[], bool] = lambda: False
        self.show: Callable[[PushProgress], None] = lambda shown: None
        self.allowance: Allowance | None = None
        self.sent = PushCount()
        self._note = note

    def push(self, return_id: UUID) -> ReceiptBody:
        """Send one return until its receipt is verified and noted.

        Raises LinkDown (try later), ReadingBack (ask later), Refused, or AgentError for bytes that are no
        longer what they were.
        """
        copied = self.outbox.returns.get(return_id)
        self.sent = PushCount(total=copied.files, total_size=copied.size)
        self.store.stop.clear()
        self.traffic.meter.begin()
        with self._shown(return_id):
            if self._committed(return_id, copied.opening_wire):
                self.sent.held, self.sent.held_size = copied.files, copied.size
                receipt = self._commit(return_id)
            else:
                receipt = self._commit_until_held(return_id)
        reach("push.committed")
        # Loaded with the first receipt: most commands check none.
        from agent.sync.receipts import checked_receipt

        checked, self.keys = checked_receipt(self.outbox, self.service, self.keys, return_id, receipt)
        reach("push.verified")
        self.outbox.hold(return_id, receipt, checked.issued_at)
        reach("push.held")
        return checked

    @contextmanager
    def _shown(self, return_id: UUID) -> Iterator[None]:
        """Tell how far it is while it goes; for other processes, too."""
        try:
            with shown_every(lambda: self.look(return_id), self._tell, NOTE_EVERY):
                yield
        finally:
            if self._note is not None:
                self._note.unlink(missing_ok=True)

    def look(self, return_id: UUID) -> PushProgress:
        """How far the push in hand is."""
        sent, rate = self.sent, self.traffic.meter.rate()
        left, seconds = max(0, sent.left_size - self.store.under_way()), None
        # With nothing left to send it is the service's turn: no rate of ours tells how long that takes.
        if left and not sent.reading_back:
            if self.allowance is not None:
                seconds = self.allowance.time_left(left, rate, datetime.now(UTC))
            elif rate:
                seconds = left / rate
        return PushProgress(
            card_return=str(return_id),
            at=time.time(),
            sent=sent.files,
            sent_bytes=sent.size,
            held=sent.held,
            held_bytes=sent.held_size,
            left=sent.left,
            left_bytes=sent.left_size,
            rate=rate,
            seconds=seconds,
            reading_back=sent.reading_back,
        )

    def _tell(self, shown: PushProgress) -> None:
        if self._note is not None:
            leave_note(self._note, shown)
        self.show(shown)

    def _committed(self, return_id: UUID, opening: bytes) -> bool:
        """Whether only the receipt is lacking. Of a return that the service has not heard of that need not be
        asked: its first part opens it.
        """
        if self.outbox.parts.count(return_id) and not self.outbox.sending.parts_sent(return_id):
            return False
        recorded = self.service.open_return(return_id, opening)
        reach("push.opened")
        return recorded.state == "committed"

    # Commit

    def _commit_until_held(self, return_id: UUID) -> bytes:
        waiting = self.outbox.sending.all_sent(return_id)
        if waiting is not None:
            self.sent.held = self.sent.total - len(waiting)
            self.sent.held_size = self.sent.total_size - sum(large.size for large in waiting)
        for last in (False,) * (COMMITS - 1) + (True,):
            if waiting is None:
                waiting = self._send(return_id)
            try:
                self._send_large(return_id, waiting)
                return self._commit(return_id)
            except Refused as refused:
                if refused.kind == "objects-unverified":
                    raise ReadingBack(len(waiting)) from refused
                # Objects missing, or parts lost: what is sent again is only what is lacking.
                if refused.status != 409 or refused.kind in FOR_GOOD or last:
                    raise
                waiting = None
        raise AssertionError("unreachable")

    def _send(self, return_id: UUID) -> list[LargeLacking]:
        """Everything but large files; those that the service waits for."""
        self.outbox.sending.forget_all_sent(return_id)
        self.sent.again()
        sender = self._sender()
        sender.send(return_id)
        self.outbox.sending.note_all_sent(return_id, waiting := list(sender.large.values()))
        return waiting

    def _send_large(self, return_id: UUID, large: list[LargeLacking]) -> None:
        if large and (lacking := self._sender().send_large(return_id, large, PATIENCE)):
            raise ReadingBack(lacking)

    def _sender(self) -> PartSender:
        return PartSender(
            self.outbox,
            self.spool,
            self.service,
            self.store,
            self.sent,
            self.settings.uploads,
            lambda: self.stopping(),
        )

    def _commit(self, return_id: UUID) -> bytes:
        """Statements that the service does not take keep no picture back: it names them in the return."""
        statements = self.outbox.statements.of(return_id)
        closing = self._closing(return_id, statements)
        while (answer := self.service.commit(return_id, closing)) is None:
            if self.stopping():
                raise Stopped
            time.sleep(COMMIT_PAUSE)
        if statements:
            learn_refused(self.outbox.statements, self.service, return_id)
        return answer

    def _closing(self, return_id: UUID, statements: list[StatementIn]) -> CardReturnCommit:
        copied = self.outbox.returns.get(return_id)
        assert copied.finished_at is not None
        assert copied.manifest_sha256 is not None
        return CardReturnCommit(
            parts=self.outbox.parts.count(return_id),
            files=copied.files,
            manifest_sha256=copied.manifest_sha256,
            complete=bool(copied.complete),
            finished_at=copied.finished_at,
            unread=self.outbox.unread.of(return_id),
            statements=statements,
            extent=copied.extent,
            extent_note=copied.extent_note or None,
            # A confirmation that came after the reading is kept here alone: what is sent stays the same (I8).
            confirmed_by=copied.confirmed_by if copied.extent == "confirmed" else None,
            aside=copied.aside[:MOST_ASIDE],
        )


def push_due(
    pusher: Pusher,
    outbox: Outbox,
    stop: Callable[[], bool],
    forced: bool = False,
    waits: Waits | None = None,
) -> list[AgentError]:
    """Push every return that is due, the oldest first; what went wrong. One in trouble holds up no other."""
    troubles: list[AgentError] = []
    waits = waits or Waits()
    waiting = outbox.returns.in_state("copied")
    waits.keep_only({card_return.id for card_return in waiting})
    for card_return in waiting:
        if stop() or not (forced or waits.due(card_return.id, card_return.next_try)):
            continue
        try:
            pusher.push(card_return.id)
        except Stopped as stopped:
            return [*troubles, stopped]
        except AgentError as error:
            if is_for_good(error):
                troubles.append(sent_anew(outbox, card_return.id))
                continue
            put_off(outbox.returns, card_return, error)
            troubles.append(error)
            if isinstance(error, LinkDown):
                break
    return troubles


def is_for_good(error: AgentError) -> bool:
    """Whether the service will never take a return under its id: another agent opened it, or it knows other
    content of it, as when this workstation was put back to an older state."""
    return isinstance(error, Refused) and error.kind in FOR_GOOD


def sent_anew(outbox: Outbox, return_id: UUID) -> Anew:
    """Give the return a new id, under which it goes; what to tell of it."""
    return Anew(return_id, reissue(outbox, return_id))


class Anew(AgentError):
    """Nothing is wrong any more: the return travels under another id."""

    def __init__(self, old: UUID, new: UUID) -> None:
        super().__init__(
            f"The service knows card return {old} otherwise than it was read here; it is sent as {new}.",
            "Nothing is lost: what the service had under the old id stays.",
        )
        self.new = new


def push_preparations(preparations: Preparations, service: Service, again: bool = False) -> None:
    """Tell the service which cards were prepared; one that it refuses is kept with the reason, and offered
    `again` now and then."""
    before = [(refusal.card_id, refusal.wire) for refusal in preparations.refused()] if again else []
    for card_id, body in preparations.unsent() + before:
        try:
            service.prepare_card(card_id, body)
        except Refused as refused:
            preparations.note_refused(card_id, refused.detail)
        else:
            preparations.note_sent(card_id)

"""Pushes card returns: manifest, bytes, check, commit, receipt. Every step can be repeated (I8).

Part n+1 of the manifest travels while the files of part n are uploaded, and the service looks at part n in
the store while the files of part n+1 are: neither link nor service waits, and the commit has little to do.
Files go in the order of the manifest, so that a push that is broken off has whole locations behind it; large
ones last, as one of them may take longer than all pictures.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from uuid import UUID

from agent.client.service import Service
from agent.client.store import Outcome, Store
from agent.client.traffic import Traffic
from agent.errors import AgentError, LinkDown, Refused, Stopped
from agent.outbox.returns import Returns
from agent.outbox.spool import Spool
from agent.settings import Settings
from agent.sync.hours import Allowance
from agent.sync.large import Altered, LargeSender, ReadingBack
from agent.sync.progress import NOTE_EVERY, Sent, Shown, leave_note, shown_every
from agent.sync.receipts import checked_receipt
from agent.sync.refused import learn_refused
from agent.sync.waiting import Waits, put_off
from service.contract.access import JwkSet
from service.contract.cards import (
    CardReturnCommit,
    LargeLacking,
    LargeParts,
    PartAnswer,
    Receipt,
    ReceiptBody,
    UploadTicket,
)
from service.contract.failpoints import reach
from service.contract.work import StatementIn

FRESH_TICKETS = 4
CHECKS = 4
COMMITS = 3
# Reading back is asked after for so long before the next return has its turn.
PATIENCE = 5.0

Going = tuple[UploadTicket, Future[Outcome]]


class Pusher:
    def __init__(
        self,
        returns: Returns,
        spool: Spool,
        service: Service,
        store: Store,
        keys: JwkSet,
        settings: Settings,
        traffic: Traffic | None = None,
        note: Path | None = None,
    ) -> None:
        self.returns, self.spool, self.service, self.store = returns, spool, service, store
        self.keys, self.settings = keys, settings
        self.traffic = traffic or Traffic(settings.uploads)
        self.stopping: Callable[[], bool] = lambda: False
        self.show: Callable[[Shown], None] = lambda shown: None
        self.allowance: Allowance | None = None
        self.sent = Sent()
        self._note = note
        self._large: dict[str, LargeLacking] = {}

    def push(self, return_id: UUID) -> ReceiptBody:
        """Send one return until its receipt is verified and noted.

        Raises LinkDown (try later), ReadingBack (ask later), Refused, or AgentError for bytes that are no
        longer what they were.
        """
        row = self.returns.one(return_id)
        assert row is not None
        self.sent = Sent(total=row["files"], total_size=row["bytes"])
        self._large.clear()
        self.store.stop.clear()
        self.traffic.meter.begin()
        with self._shown(return_id):
            if self._committed(return_id, bytes(row["opening"])):
                self.sent.held, self.sent.held_size = row["files"], row["bytes"]
                receipt, body = self._commit(return_id)
            else:
                receipt, body = self._commit_until_held(return_id)
        reach("push.committed")
        checked, self.keys = checked_receipt(self.returns, self.service, self.keys, return_id, receipt)
        reach("push.verified")
        self.returns.hold(return_id, body, checked.issued_at)
        self.returns.forget_sending(return_id)
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

    def look(self, return_id: UUID) -> Shown:
        """How far the push in hand is."""
        sent, rate = self.sent, self.traffic.meter.rate()
        left, seconds = max(0, sent.left_size - self.store.under_way()), None
        if self.allowance is not None:
            seconds = self.allowance.time_left(left, rate, datetime.now(UTC))
        elif rate:
            seconds = left / rate
        return Shown(
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
        )

    def _tell(self, shown: Shown) -> None:
        if self._note is not None:
            leave_note(self._note, shown)
        self.show(shown)

    def _committed(self, return_id: UUID, opening: bytes) -> bool:
        """Whether only the receipt is lacking. Of a return that the service has not heard of that need not be
        asked: its first part opens it.
        """
        if self.returns.parts(return_id) and not self.returns.parts_sent(return_id):
            return False
        standing = self.service.open_return(return_id, opening)
        reach("push.opened")
        return standing.state == "committed"

    # Commit

    def _commit_until_held(self, return_id: UUID) -> tuple[Receipt, bytes]:
        for last in (False,) * (COMMITS - 1) + (True,):
            self._send_parts(return_id)
            try:
                return self._commit(return_id)
            except Refused as refused:
                if refused.kind == "objects-unverified":
                    raise ReadingBack(max(1, len(self._large))) from refused
                # Objects missing, or parts lost: what is sent again is only what is lacking.
                if refused.status != 409 or last:
                    raise
        raise AssertionError("unreachable")

    def _commit(self, return_id: UUID) -> tuple[Receipt, bytes]:
        """Statements that the service does not take keep no picture back: it names them in the return."""
        statements = self.returns.statements(return_id)
        answer = self.service.commit(return_id, self._closing(return_id, statements))
        if statements:
            learn_refused(self.returns, self.service, return_id)
        return answer

    def _closing(self, return_id: UUID, statements: list[StatementIn]) -> CardReturnCommit:
        row = self.returns.one(return_id)
        assert row is not None
        return CardReturnCommit(
            parts=self.returns.parts(return_id),
            files=row["files"],
            manifest_sha256=row["manifest_sha256"],
            complete=bool(row["complete"]),
            finished_at=datetime.fromisoformat(row["finished_at"]),
            unread=self.returns.unread(return_id),
            statements=statements,
        )

    # Parts

    def _send_parts(self, return_id: UUID) -> None:
        parts, known = self.returns.parts(return_id), self.returns.parts_sent(return_id)
        with (
            ThreadPoolExecutor(1, thread_name_prefix="manifest") as talk,
            ThreadPoolExecutor(self.settings.uploads, thread_name_prefix="upload") as uploads,
        ):
            try:
                self._send_each(return_id, parts, known, talk, uploads)
                self._send_large(return_id, uploads)
            except BaseException:
                # The others would go on trying over a link that has just failed.
                self.store.stop.set()
                uploads.shutdown(wait=False, cancel_futures=True)
                raise

    def _send_each(
        self, return_id: UUID, parts: int, known: int, talk: ThreadPoolExecutor, uploads: ThreadPoolExecutor
    ) -> None:
        """The files of a part are begun before those of the part before it are through: the link never idles.

        The last part is left to the commit, which looks at what nobody has looked at.
        """
        ahead = self._ask(talk, return_id, 1, known) if parts else None
        going: list[Going] = []
        checking: Future[PartAnswer] | None = None
        for part in range(1, parts + 1):
            assert ahead is not None
            answer = ahead.result()
            if part > known:
                reach("push.opened")
                self.returns.note_parts_sent(return_id, part)
            reach("push.part")
            ahead = self._ask(talk, return_id, part + 1, known) if part < parts else None
            self._count(return_id, part, answer)
            before, going = going, self._begin(answer.lacking, uploads)
            if part > 1:
                self._end_part(return_id, part - 1, before, uploads)
                if checking is not None:
                    self._settle(return_id, part - 2, checking.result(), uploads)
                checking = talk.submit(self.service.check_part, return_id, part - 1)
        self._end_part(return_id, parts, going, uploads)
        if checking is not None:
            self._settle(return_id, parts - 1, checking.result(), uploads)

    def _ask(self, talk: ThreadPoolExecutor, return_id: UUID, part: int, known: int) -> Future[PartAnswer]:
        body = self.returns.part_body(return_id, part)

        def ask() -> PartAnswer:
            if part <= known:
                try:
                    return self.service.check_part(return_id, part)
                except Refused as refused:
                    if refused.status not in (404, 409):
                        raise
            return self.service.put_part(return_id, part, body)

        return talk.submit(ask)

    def _count(self, return_id: UUID, part: int, answer: PartAnswer) -> None:
        files, size = self.returns.part_totals(return_id, part)
        to_send = [one.size for one in answer.lacking] + [one.size for one in answer.large]
        # Second copies on the card count as held: they are not sent either.
        self.sent.held += files - len(to_send)
        self.sent.held_size += size - sum(to_send)
        self._large |= {one.sha256: one for one in answer.large}

    def _settle(self, return_id: UUID, part: int, answer: PartAnswer, uploads: ThreadPoolExecutor) -> None:
        """What the store turns out to lack goes again."""
        for _ in range(CHECKS):
            if not answer.lacking:
                reach("push.checked")
                return
            self.sent.files -= len(answer.lacking)
            self.sent.size -= sum(one.size for one in answer.lacking)
            self._end_part(return_id, part, self._begin(answer.lacking, uploads), uploads)
            answer = self.service.check_part(return_id, part)
        raise LinkDown(
            f"The store does not keep {len(answer.lacking)} files that it said it had taken.",
            "The files are kept in the spool.",
            "Have the store looked at.",
        )

    # Files

    def _begin(self, tickets: list[UploadTicket], uploads: ThreadPoolExecutor) -> list[Going]:
        return [(ticket, uploads.submit(self._put, ticket)) for ticket in tickets]

    def _end_part(self, return_id: UUID, part: int, going: list[Going], uploads: ThreadPoolExecutor) -> None:
        """Wait until these files are through, with fresh tickets for those whose ticket was too old."""
        for _ in range(FRESH_TICKETS):
            expired = self._outcomes(going)
            if not expired:
                return
            going = self._begin(self.service.check_part(return_id, part).lacking, uploads)
        raise LinkDown(
            f"The store refuses tickets that the service has just written, for {expired} files.",
            "The files are kept in the spool.",
            "Have the clocks of service and store, and the store's keys, checked.",
        )

    def _outcomes(self, going: list[Going]) -> int:
        """The number of expired tickets, once all are through. Raises for bytes that are not as read."""
        expired, wrong = 0, []
        for ticket, future in going:
            outcome = future.result()
            if outcome is Outcome.EXPIRED:
                expired += 1
            elif outcome is Outcome.WRONG_BYTES:
                wrong.append(ticket.sha256)
            if self.stopping():
                raise Stopped
        if wrong:
            self._look_at_spool(wrong)
        return expired

    def _put(self, ticket: UploadTicket) -> Outcome:
        path = self.spool.path(ticket.sha256)
        if not self.spool.holds(ticket.sha256, ticket.size):
            return Outcome.WRONG_BYTES
        try:
            outcome = self.store.put(ticket, path)
        except OSError:
            # The spool's disk fails: what can no longer be read is looked at once the others are through.
            return Outcome.WRONG_BYTES
        reach("push.stored")
        self.sent.note(ticket.size, outcome)
        return outcome

    def _send_large(self, return_id: UUID, uploads: ThreadPoolExecutor) -> None:
        if not self._large:
            return
        sender = LargeSender(self.returns, self.spool, self.service, self.store, self.stopping)
        told: dict[str, LargeParts] = {}
        for digest, large in sorted(self._large.items(), key=lambda one: one[1].size):
            before = self.sent.size
            try:
                told[digest] = sender.send(return_id, large, uploads, self.sent.note_piece)
            except Altered:
                self._look_at_spool([digest])
            # Pieces that an earlier push had sent were there already.
            self.sent.files += 1
            self.sent.held_size += large.size - (self.sent.size - before)
        if lacking := sender.wait_verified(return_id, told, PATIENCE):
            raise ReadingBack(lacking)

    def _look_at_spool(self, digests: Iterable[str]) -> None:
        """The store refused these bytes: say which of them the spool no longer holds as they were read."""
        lost = [digest for digest in digests if not self.spool.verify(digest)]
        for digest in lost:
            if self.spool.path(digest).exists():
                self.spool.set_aside(digest)
        self.returns.distrust(lost)
        if lost:
            raise AgentError(
                f"{len(lost)} files are no longer in the spool as they were read.",
                "There is no receipt for this card: do not wipe it.",
                "Put the card in and read it again; what is sound is not sent twice.",
            )
        raise LinkDown(
            "The store refused bytes that are sound in the spool.",
            "They are kept and sent again; they were altered on the way.",
        )


def push_due(
    pusher: Pusher,
    returns: Returns,
    stop: Callable[[], bool],
    forced: bool = False,
    waits: Waits | None = None,
) -> list[AgentError]:
    """Push every return that is due, the oldest first; what went wrong. One in trouble holds up no other."""
    troubles: list[AgentError] = []
    waits = waits or Waits()
    rows = returns.in_state("copied")
    waits.keep_only({row["id"] for row in rows})
    for row in rows:
        if stop() or not (forced or waits.due(row["id"], row["next_try"])):
            continue
        try:
            pusher.push(UUID(row["id"]))
        except Stopped as stopped:
            return [*troubles, stopped]
        except AgentError as error:
            put_off(returns, row, error)
            troubles.append(error)
            if isinstance(error, LinkDown):
                break
    return troubles


def push_preparations(returns: Returns, service: Service, again: bool = False) -> None:
    """Tell the service which cards were prepared; one that it refuses is kept with the reason, and offered
    `again` now and then."""
    refused = [(one.card_id, one.wire) for one in returns.refused_preparations()] if again else []
    for card_id, body in returns.unsent_preparations() + refused:
        try:
            service.prepare_card(card_id, body)
        except Refused as refused:
            returns.note_preparation_sent(card_id, refused.detail)
        else:
            returns.note_preparation_sent(card_id)

"""Sends the manifest of one card return part by part, and the files that the service asks for.

Part n+1 of the manifest travels while the files of part n are uploaded. Nothing is looked at in the store on
the way: the commit does that for all. Only who goes on after a break, or was told that objects are missing,
has each part checked. Files go in the order of the manifest, so that a push that is broken off has whole
locations behind it; large ones last, as one of them may take longer than all pictures.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from uuid import UUID

from agent.client.service import Service
from agent.client.store import Outcome, Store
from agent.errors import AgentError, LinkDown, Refused, Stopped
from agent.outbox.outbox import Outbox
from agent.outbox.spool import Spool
from agent.sync.large import Altered, LargeSender
from agent.sync.progress import PushCount
from service.contract.cards import LargeLacking, LargeParts, PartAnswer, UploadTicket
from service.contract.failpoints import reach

FRESH_TICKETS = 4

Going = tuple[UploadTicket, Future[Outcome]]


class PartSender:
    """One pass over the parts of a return. `large` are the large files that the service waits for."""

    def __init__(
        self,
        outbox: Outbox,
        spool: Spool,
        service: Service,
        store: Store,
        sent: PushCount,
        uploads: int,
        stopping: Callable[[], bool],
    ) -> None:
        self._outbox, self._spool, self._service, self._store = outbox, spool, service, store
        self._sent, self._uploads, self._stopping = sent, uploads, stopping
        self._lost: list[str] = []
        self.large: dict[str, LargeLacking] = {}

    def send(self, return_id: UUID) -> None:
        """Until the store has taken every file that the service asks for, but large ones.

        Raises LinkDown, Refused; and AgentError, when all that is here is sent, for files that the spool no
        longer has as they were read. Those are no longer called copied, all of them together.
        """
        parts, known = self._outbox.parts.count(return_id), self._outbox.sending.parts_sent(return_id)
        try:
            with (
                ThreadPoolExecutor(1, thread_name_prefix="manifest") as talk,
                ThreadPoolExecutor(self._uploads, thread_name_prefix="upload") as uploads,
            ):
                try:
                    self._send_each(return_id, parts, known, talk, uploads)
                except BaseException:
                    # The others would go on trying over a link that has just failed.
                    self._store.stop.set()
                    uploads.shutdown(wait=False, cancel_futures=True)
                    raise
            self._lost += [large.sha256 for large in self.large.values() if not self._can_send(large)]
            self._lost = self._lacking_everywhere(return_id)
        finally:
            self._distrust_lost()
        self._say_lost()
        reach("push.sent")

    def _lacking_everywhere(self, return_id: UUID) -> list[str]:
        """Of the files that are not here as they were read those that the store does not have either: bytes
        that went ahead of the manifest, or that an older database has forgotten, lie there without a row."""
        if not self._lost:
            return []
        lacking: set[str] = set()
        for part in range(1, self._outbox.parts.count(return_id) + 1):
            answer = self._service.check_part(return_id, part)
            lacking |= {ticket.sha256 for ticket in answer.lacking}
            lacking |= {large.sha256 for large in answer.large}
        return [digest for digest in self._lost if digest in lacking]

    def send_large(self, return_id: UUID, large: Iterable[LargeLacking], seconds: float) -> int:
        """Send large files; how many of them the service has not read back after so many seconds."""
        uploaded: dict[str, LargeParts] = {}
        sender = LargeSender(self._outbox.sending, self._spool, self._service, self._store, self._stopping)
        try:
            with ThreadPoolExecutor(self._uploads, thread_name_prefix="upload") as uploads:
                for file in sorted(large, key=lambda file: file.size):
                    try:
                        uploaded[file.sha256] = self._send_file(sender, return_id, file, uploads)
                    except Altered:
                        self._look_at_spool([file.sha256])
        finally:
            self._distrust_lost()
        self._say_lost()
        self._sent.reading_back = len(uploaded)
        return sender.wait_verified(return_id, uploaded, seconds)

    def _send_file(
        self, sender: LargeSender, return_id: UUID, large: LargeLacking, uploads: ThreadPoolExecutor
    ) -> LargeParts:
        before = self._sent.size
        parts = sender.send(return_id, large, uploads, self._sent.note_piece)
        passed = self._sent.size - before
        # Pieces that an earlier push had sent were there already.
        self._sent.files += bool(passed)
        self._sent.held += not passed
        self._sent.held_size += large.size - passed
        return parts

    def _send_each(
        self, return_id: UUID, parts: int, known: int, talk: ThreadPoolExecutor, uploads: ThreadPoolExecutor
    ) -> None:
        """The files of a part are begun before those of the part before are through: the link never idles."""
        ahead = self._ask(talk, return_id, 1, known) if parts else None
        going: list[Going] = []
        for part in range(1, parts + 1):
            assert ahead is not None
            answer = ahead.result()
            if part > known:
                reach("push.opened")
                self._outbox.sending.note_parts_sent(return_id, part)
            reach("push.part")
            ahead = self._ask(talk, return_id, part + 1, known) if part < parts else None
            self._count(return_id, part, answer)
            before, going = going, self._begin(answer.lacking, uploads)
            self._end_part(return_id, part - 1, before, uploads)
        self._end_part(return_id, parts, going, uploads)

    def _ask(self, talk: ThreadPoolExecutor, return_id: UUID, part: int, known: int) -> Future[PartAnswer]:
        body = self._outbox.parts.body(return_id, part)

        def ask() -> PartAnswer:
            if part <= known:
                try:
                    return self._service.check_part(return_id, part)
                except Refused as refused:
                    if refused.status not in (404, 409):
                        raise
            return self._service.put_part(return_id, part, body)

        return talk.submit(ask)

    def _count(self, return_id: UUID, part: int, answer: PartAnswer) -> None:
        files, size = self._outbox.parts.totals(return_id, part)
        to_send = [ticket.size for ticket in answer.lacking] + [large.size for large in answer.large]
        # Second copies on the card count as held: they are not sent either.
        self._sent.held += files - len(to_send)
        self._sent.held_size += size - sum(to_send)
        self.large |= {large.sha256: large for large in answer.large}

    def _begin(self, tickets: list[UploadTicket], uploads: ThreadPoolExecutor) -> list[Going]:
        return [(ticket, uploads.submit(self._put, ticket)) for ticket in tickets]

    def _end_part(self, return_id: UUID, part: int, going: list[Going], uploads: ThreadPoolExecutor) -> None:
        """Wait until these files are through, with fresh tickets for those whose ticket was too old."""
        expired = self._outcomes(going)
        for _ in range(FRESH_TICKETS):
            if not expired:
                return
            lacking = self._service.check_part(return_id, part).lacking
            fresh = [ticket for ticket in lacking if ticket.sha256 in expired]
            expired = self._outcomes(self._begin(fresh, uploads))
        if expired:
            raise LinkDown(
                f"The store refuses tickets that the service has just written, for {len(expired)} files.",
                "The files are kept in the spool.",
                "Have the clocks of service and store, and the store's keys, checked.",
            )

    def _outcomes(self, going: list[Going]) -> set[str]:
        """The files whose ticket had expired, once all are through."""
        expired, wrong = set[str](), list[str]()
        for ticket, future in going:
            outcome = future.result()
            if outcome is Outcome.EXPIRED:
                expired.add(ticket.sha256)
            elif outcome is Outcome.WRONG_BYTES:
                wrong.append(ticket.sha256)
            if self._stopping():
                raise Stopped
        if wrong:
            self._look_at_spool(wrong)
        return expired

    def _put(self, ticket: UploadTicket) -> Outcome:
        path = self._spool.path(ticket.sha256)
        if not self._spool.holds(ticket.sha256, ticket.size):
            return Outcome.WRONG_BYTES
        try:
            outcome = self._store.put(ticket, path)
        except OSError:
            # The spool's disk fails: what can no longer be read is looked at once the others are through.
            return Outcome.WRONG_BYTES
        reach("push.stored")
        self._sent.note(ticket.size, outcome)
        return outcome

    def _can_send(self, large: LargeLacking) -> bool:
        """Whether its bytes lie here; or they were sent once, and may be in the store already."""
        if self._spool.holds(large.sha256, large.size):
            return True
        return self._outbox.sending.large_parts(large.sha256) is not None

    def _look_at_spool(self, digests: Iterable[str]) -> None:
        """The store refused these bytes, or they are not here: keep in mind which the spool has lost."""
        lost = [digest for digest in digests if not self._spool.verify(digest)]
        for digest in lost:
            if self._spool.path(digest).exists():
                self._spool.set_aside(digest)
        self._lost += lost
        if not lost:
            raise LinkDown(
                "The store refused bytes that are sound in the spool.",
                "They are kept and sent again; they were altered on the way.",
            )

    def _distrust_lost(self) -> None:
        if self._lost:
            self._outbox.originals.distrust(self._lost)

    def _say_lost(self) -> None:
        if self._lost:
            raise AgentError(
                f"{len(set(self._lost))} files are no longer in the spool as they were read.",
                "There is no receipt for this card: do not wipe it.",
                "Put the card in and read it again; what is sound is not sent twice.",
            )

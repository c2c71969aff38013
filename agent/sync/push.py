"""Pushes card returns: manifest, bytes, commit, receipt. Every step can be repeated (I8)."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

import msgspec

from agent.client.service import Service
from agent.client.store import Outcome, Store
from agent.errors import AgentError, LinkDown, Refused
from agent.outbox.returns import Returns
from agent.outbox.spool import Spool
from agent.settings import Settings
from service.contract.access import JwkSet
from service.contract.cards import (
    CardReturnCommit,
    PartAnswer,
    Receipt,
    ReceiptBody,
    UploadTicket,
    exact_path,
)
from service.contract.failpoints import reach
from service.contract.signature import SignatureRefused, verify_receipt
from service.contract.work import StatementIn

FRESH_TICKETS = 4
COMMITS = 3
SHORTEST_WAIT = 2.0
LONGEST_WAIT = 300.0


@dataclass
class Sent:
    """What a push has done so far, for a screen."""

    files: int = 0
    size: int = 0
    held: int = 0


class Pusher:
    def __init__(
        self,
        returns: Returns,
        spool: Spool,
        service: Service,
        store: Store,
        keys: JwkSet,
        settings: Settings,
    ) -> None:
        self.returns, self.spool, self.service, self.store = returns, spool, service, store
        self.keys, self.settings = keys, settings
        self.stopping: Callable[[], bool] = lambda: False
        self.sent = Sent()

    def push(self, return_id: UUID) -> ReceiptBody:
        """Send one return until its receipt is verified and noted.

        Raises LinkDown (try later), Refused, or AgentError for bytes that are no longer what they were.
        """
        row = self.returns.one(return_id)
        assert row is not None
        self.sent = Sent()
        self.store.stop.clear()
        self.service.open_return(return_id, bytes(row["opening"]))
        reach("push.opened")
        receipt, body = self._commit_until_held(return_id)
        reach("push.committed")
        checked = self._checked(return_id, receipt)
        reach("push.verified")
        self.returns.hold(return_id, body, checked.issued_at)
        reach("push.held")
        return checked

    def _commit_until_held(self, return_id: UUID) -> tuple[Receipt, bytes]:
        for last in (False,) * (COMMITS - 1) + (True,):
            self._send_parts(return_id)
            try:
                return self._commit(return_id)
            except Refused as refused:
                # Objects missing, or parts lost: what is sent again is only what is lacking.
                if refused.status != 409 or last:
                    raise
        raise AssertionError("unreachable")

    def _commit(self, return_id: UUID) -> tuple[Receipt, bytes]:
        statements = self.returns.statements(return_id)
        try:
            return self.service.commit(return_id, self._closing(return_id, statements))
        except Refused as refused:
            if not statements or refused.kind in ("objects-missing", "objects-differ"):
                raise
            why = refused
        # Pictures must not wait for words: commit them alone, keep the statement with the reason.
        answer = self.service.commit(return_id, self._closing(return_id, []))
        self.returns.refuse_statements(return_id, why.detail)
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

    def _send_parts(self, return_id: UUID) -> None:
        """Parts one ahead of the uploads, so that neither waits for the other."""
        parts = self.returns.parts(return_id)
        with (
            ThreadPoolExecutor(1, thread_name_prefix="manifest") as manifest,
            ThreadPoolExecutor(self.settings.uploads, thread_name_prefix="upload") as uploads,
        ):
            ahead: Future[PartAnswer] | None = None
            for part in range(1, parts + 1):
                answer = (ahead or self._ask(manifest, return_id, part)).result()
                reach("push.part")
                ahead = self._ask(manifest, return_id, part + 1) if part < parts else None
                self._upload_part(return_id, part, answer, uploads)
                reach("push.checked")

    def _ask(self, pool: ThreadPoolExecutor, return_id: UUID, part: int) -> Future[PartAnswer]:
        return pool.submit(self.service.put_part, return_id, part, self.returns.part_body(return_id, part))

    def _upload_part(
        self, return_id: UUID, part: int, answer: PartAnswer, uploads: ThreadPoolExecutor
    ) -> None:
        self.sent.held += answer.held
        for _ in range(FRESH_TICKETS):
            expired = self._upload(answer.lacking, uploads)
            if not expired:
                return
            answer = self.service.put_part(return_id, part, self.returns.part_body(return_id, part))
        raise LinkDown(
            f"The store refuses tickets that the service has just written, for {expired} files.",
            "The files are kept in the spool.",
            "Have the clocks of service and store, and the store's keys, checked.",
        )

    def _upload(self, tickets: list[UploadTicket], uploads: ThreadPoolExecutor) -> int:
        """Upload all; the number of expired tickets. Any failure ends the rest first."""
        waiting = [(ticket, uploads.submit(self._put, ticket)) for ticket in tickets]
        expired, wrong = 0, []
        try:
            for ticket, future in waiting:
                outcome = future.result()
                if outcome is Outcome.EXPIRED:
                    expired += 1
                elif outcome is Outcome.WRONG_BYTES:
                    wrong.append(ticket.sha256)
                else:
                    self.sent.files += 1
                    self.sent.size += ticket.size if outcome is Outcome.STORED else 0
                if self.stopping():
                    raise LinkDown(
                        "The agent was asked to stop.", "What is not yet sent is kept in the spool."
                    )
        except BaseException:
            # The others would go on trying over a link that has just failed.
            self.store.stop.set()
            raise
        finally:
            for _, future in waiting:
                future.cancel()
        if wrong:
            self._look_at_spool(wrong)
        return expired

    def _put(self, ticket: UploadTicket) -> Outcome:
        path = self.spool.path(ticket.sha256)
        if not self.spool.holds(ticket.sha256, ticket.size):
            return Outcome.WRONG_BYTES
        outcome = self.store.put(ticket, path)
        reach("push.stored")
        return outcome

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

    def _checked(self, return_id: UUID, receipt: Receipt) -> ReceiptBody:
        """The receipt's content, once its signature holds and it lists every file of the return (I6)."""
        try:
            payload = verify_receipt(receipt, self.keys)
        except SignatureRefused:
            # The service may have changed its key since this workstation enrolled.
            # It is asked over the same link as everything else.
            self.keys = self.service.keys()
            payload = _verified(receipt, self.keys)
        body = msgspec.json.decode(payload, type=ReceiptBody)
        row = self.returns.one(return_id)
        assert row is not None
        listed = {(exact_path(f.path, f.path_bytes), f.sha256, f.size) for f in body.files}
        missing = sum(
            (bytes(f["path_bytes"]), f["sha256"], f["size"]) not in listed
            for f in self.returns.files(return_id)
        )
        same = body.card_return_id == return_id and body.manifest_sha256 == row["manifest_sha256"]
        if missing or not same or body.complete > bool(row["complete"]):
            raise AgentError(
                f"The receipt does not list this card: {missing} files are missing from it.",
                "The card is not clear to wipe.",
                "Tell whoever runs the service; the agent tries again by itself.",
            )
        return body


def _verified(receipt: Receipt, keys: JwkSet) -> bytes:
    try:
        return verify_receipt(receipt, keys)
    except SignatureRefused as error:
        raise AgentError(
            str(error),
            "The card is not clear to wipe.",
            "Tell whoever runs the service; the agent tries again by itself.",
        ) from error


def push_due(
    pusher: Pusher, returns: Returns, stop: Callable[[], bool], forced: bool = False
) -> list[AgentError]:
    """Push every return that is due, the oldest first; what went wrong. One in trouble holds up no other."""
    troubles: list[AgentError] = []
    for row in returns.in_state("copied"):
        at = time.time()
        # A clock set back must not make a return wait longer than the longest wait.
        due = forced or not at < row["next_try"] <= at + 2 * LONGEST_WAIT
        if stop() or not due:
            continue
        try:
            pusher.push(UUID(row["id"]))
        except AgentError as error:
            returns.put_off(UUID(row["id"]), at + wait_after(row["tries"]), error.detail)
            troubles.append(error)
            if isinstance(error, LinkDown):
                break
    return troubles


def wait_after(tries: int) -> float:
    """Seconds until the next try: growing, bounded, and spread so that workstations do not come at once."""
    return min(LONGEST_WAIT, SHORTEST_WAIT * 2.0 ** min(tries, 10)) * random.uniform(0.7, 1.3)  # noqa: S311


def push_preparations(returns: Returns, service: Service) -> None:
    """Tell the service which cards were prepared; one that it refuses is kept with the reason."""
    for card_id, body in returns.unsent_preparations():
        try:
            service.prepare_card(card_id, body)
        except Refused as refused:
            returns.note_preparation_sent(card_id, refused.detail)
        else:
            returns.note_preparation_sent(card_id)

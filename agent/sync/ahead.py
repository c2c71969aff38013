"""Sends what was copied of a card while the rest of it is still read, when the spool's disk has no more room.

Only bytes travel: what they are, and where they belong, comes with the manifest when the reading has ended,
and so does the receipt. But what the store was seen to have may leave the spool meanwhile, so that a card
can be larger than the disk. The card is not cleared by it: that takes the receipt (I6), and a commit that
finds bytes missing asks for the card again.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from uuid import UUID

from agent.client.service import Service
from agent.client.store import Outcome, Store
from agent.errors import LinkDown, Stopped
from agent.outbox.outbox import Outbox
from agent.outbox.spool import Spool
from agent.sync.large import LargeSender
from service.contract.cards import FileAhead, FilesAhead

# So often the store is asked for what it said that it had taken.
TRIES = 3
READ_BACK_SECONDS = 60.0


class AheadSender:
    def __init__(
        self,
        outbox: Outbox,
        spool: Spool,
        service: Service,
        store: Store,
        stopping: Callable[[], bool],
    ) -> None:
        self._outbox, self._spool, self._service, self._store = outbox, spool, service, store
        self._stopping = stopping

    def send(self, return_id: UUID, uploads: int) -> None:
        """Everything that was copied so far of one return, some files at a time."""
        opening = self._outbox.returns.get(return_id).opening
        with ThreadPoolExecutor(uploads, thread_name_prefix="ahead") as pool:
            while batch := self._outbox.originals.spooled_of(return_id):
                files = [FileAhead(sha256=digest, size=size) for digest, size in batch]
                self._send(return_id, FilesAhead(opening=opening, files=files), pool)
                self._outbox.originals.note_ahead([digest for digest, _ in batch])

    def _send(self, return_id: UUID, ahead: FilesAhead, pool: ThreadPoolExecutor) -> None:
        for _ in range(TRIES):
            answer = self._service.put_ahead(return_id, ahead)
            if not answer.lacking and not answer.large:
                return
            puts = [
                pool.submit(self._store.put, ticket, self._spool.path(ticket.sha256))
                for ticket in answer.lacking
            ]
            for put in puts:
                if put.result() is Outcome.WRONG_BYTES:
                    raise LinkDown(
                        "A file in the spool is not what was read; its card is asked for again later."
                    )
                if self._stopping():
                    raise Stopped
            large = LargeSender(self._outbox.sending, self._spool, self._service, self._store, self._stopping)
            sent = {
                file.sha256: large.send(return_id, file, pool, lambda size: None) for file in answer.large
            }
            large.wait_verified(return_id, sent, READ_BACK_SECONDS)
        raise LinkDown(
            "The store does not keep what it said it had taken.",
            "The files are kept in the spool.",
            "Have the store looked at.",
        )

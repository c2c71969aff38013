"""Files too large for one PUT: by parts, each with its digest, until the service has read the whole back."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from uuid import UUID

from agent.client.service import Service
from agent.client.store import Outcome, Store
from agent.errors import AgentError, LinkDown, Stopped
from agent.outbox.sending import SendingState
from agent.outbox.spool import Spool
from service.contract.cards import LargeAnswer, LargeLacking, LargeParts, PartTicket, part_size

BLOCK = 1024 * 1024
# Answers without a part more: then it is not the link that is in the way.
FUTILE = 4
POLL_FIRST, POLL_LONGEST = 0.25, 5.0


class ReadingBack(AgentError):
    """Everything is sent; the service still reads files back. No trouble: it takes what it takes.

    `files` large ones; 0: such as it had found damaged or missing, and that came in again.
    """

    exit_code = 5

    def __init__(self, files: int) -> None:
        which = f"{files} large files" if files else "files that it had lost"
        super().__init__(
            f"Sent; the service is reading {which} back.",
            "Everything is in the store and kept here; there is no receipt yet.",
            "Nothing to do: the agent asks again by itself while it runs.",
        )


class Altered(Exception):
    """The spooled bytes are no longer what was read."""


class LargeSender:
    def __init__(
        self,
        sending: SendingState,
        spool: Spool,
        service: Service,
        store: Store,
        stopping: Callable[[], bool],
    ) -> None:
        self._sending, self._spool, self._service, self._store = sending, spool, service, store
        self._stopping = stopping
        self._pause = threading.Event()

    def send(
        self, return_id: UUID, large: LargeLacking, uploads: ThreadPoolExecutor, sent: Callable[[int], None]
    ) -> LargeParts:
        """Send until the service has every part; `sent` gets the size of each. Raises Altered, LinkDown."""
        parts, path = self._parts(large), self._spool.path(large.sha256)
        futile = 0
        while futile < FUTILE:
            answer = self._service.put_large(return_id, large.sha256, parts)
            if answer.state != "receiving":
                return parts
            futile = 0 if self._upload(answer, path, uploads, sent) else futile + 1
        raise LinkDown(
            f"The store takes no part of the large file {large.sha256[:12]}.",
            "It is kept in the spool.",
            "Have the clocks of service and store, and the store's keys, checked.",
        )

    def wait_verified(self, return_id: UUID, sent: dict[str, LargeParts], seconds: float) -> int:
        """How many of them the service has not read back after so many seconds."""
        step, left = POLL_FIRST, dict(sent)
        while True:
            left = {
                digest: parts
                for digest, parts in left.items()
                if self._service.put_large(return_id, digest, parts).state != "verified"
            }
            if not left or seconds <= 0 or self._stopping():
                return len(left)
            self._pause.wait(min(step, seconds))
            seconds -= step
            step = min(POLL_LONGEST, step * 2)

    def _upload(
        self, answer: LargeAnswer, path: Path, uploads: ThreadPoolExecutor, sent: Callable[[int], None]
    ) -> int:
        """Upload the parts asked for; how many the store took."""
        waiting = [uploads.submit(self._put, ticket, path, sent) for ticket in answer.tickets]
        taken, wrong = 0, False
        try:
            for future in waiting:
                outcome = future.result()
                wrong |= outcome is Outcome.WRONG_BYTES
                taken += outcome is Outcome.STORED
                if self._stopping():
                    raise Stopped
        except BaseException:
            self._store.stop.set()
            raise
        finally:
            for future in waiting:
                future.cancel()
        if wrong:
            raise Altered
        return taken

    def _put(self, ticket: PartTicket, path: Path, sent: Callable[[int], None]) -> Outcome:
        try:
            outcome = self._store.put(ticket, path)
        except OSError:
            return Outcome.WRONG_BYTES
        if outcome is Outcome.STORED:
            sent(ticket.size)
        return outcome

    def _parts(self, large: LargeLacking) -> LargeParts:
        """Digests of the parts, computed once: with them the whole is compared with what was read."""
        kept = self._sending.large_parts(large.sha256)
        if kept is None:
            kept = self._hashed(large)
            self._sending.keep_large_parts(large.sha256, kept)
        return LargeParts(size=large.size, parts=kept)

    def _hashed(self, large: LargeLacking) -> list[str]:
        whole, digests = hashlib.sha256(), []
        try:
            for part in _cut(self._spool.path(large.sha256), part_size(large.size)):
                digest = hashlib.sha256()
                for block in part:
                    whole.update(block)
                    digest.update(block)
                digests.append(digest.hexdigest())
                if self._stopping():
                    raise Stopped
        except OSError as error:
            raise Altered from error
        if whole.hexdigest() != large.sha256:
            raise Altered
        return digests


def _cut(path: Path, size: int) -> Iterator[Iterator[bytes]]:
    """The file part by part, each as blocks; a part must be used up before the next."""
    left = path.stat().st_size

    def blocks(file: object, most: int) -> Iterator[bytes]:
        while most and (block := file.read(min(BLOCK, most))):  # type: ignore[attr-defined]
            most -= len(block)
            yield block

    with path.open("rb", buffering=0) as file:
        while left > 0:
            yield blocks(file, min(size, left))
            left -= size

"""PUTs of originals straight into the object store, by ticket."""

from __future__ import annotations

import random
import threading
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from agent.client.connection import Answer, Failure, Silent
from agent.client.http import TRY_LATER, Link, cannot_serve, link_down, origin_of
from agent.client.traffic import Stream, Traffic
from agent.clock import steady
from agent.errors import Refused, Stopped
from service.contract.cards import PartTicket, UploadTicket

ATTEMPTS = 5
# A server that was silent twice will be silent again: whoever called has more to do than to wait.
SILENCES = 2


class Outcome(Enum):
    STORED = "stored"
    THERE = "there"
    EXPIRED = "expired"
    WRONG_BYTES = "wrong bytes"


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes `offset` to `offset + size` of a spooled file, and where they go."""

    url: str
    headers: dict[str, str]
    size: int
    offset: int = 0


def piece_of(ticket: UploadTicket | PartTicket) -> Piece:
    offset = ticket.offset if isinstance(ticket, PartTicket) else 0
    return Piece(ticket.url, ticket.headers, ticket.size, offset)


class Store:
    """Uploads from several threads over kept-alive connections."""

    def __init__(self, timeout: float, uploads: int, traffic: Traffic | None = None) -> None:
        self._timeout = timeout
        self._uploads = uploads
        self._traffic = traffic or Traffic(uploads)
        self._links: dict[str, Link] = {}
        self._guard = threading.Lock()
        self._going: dict[int, Stream] = {}
        self.stop = threading.Event()

    def close(self) -> None:
        for link in self._links.values():
            link.close()

    def put(self, ticket: UploadTicket | PartTicket, path: Path) -> Outcome:
        """PUT with exactly the ticket's headers. Raises LinkDown after several tries, Refused, OSError."""
        piece, silences = piece_of(ticket), 0
        for attempt in range(ATTEMPTS):
            with self._traffic.lanes as lanes:
                if self.stop.is_set():
                    raise Stopped
                begun = steady()
                try:
                    answer = self._once(piece, path)
                except Failure as error:
                    lanes.broken()
                    silences += isinstance(error, Silent)
                    failure = link_down(error, ticket.url)
                else:
                    outcome = _outcome(answer)
                    if outcome is Outcome.STORED:
                        lanes.sent(piece.size, steady() - begun)
                    if outcome is not None:
                        return outcome
                    failure = cannot_serve(f"the store answered {answer.status}.", ticket.url)
            # The first time at once: most links that break come back with the next connection.
            pause = 0.3 * 2**attempt * random.uniform(0.5, 1.5) if attempt else 0.05  # noqa: S311
            if silences == SILENCES or self.stop.wait(pause):
                break
        raise failure

    def _once(self, piece: Piece, path: Path) -> Answer:
        with path.open("rb", buffering=0) as file:
            if piece.offset:
                file.seek(piece.offset)
            stream = Stream(file, piece.size, self._traffic)
            self._going[threading.get_ident()] = stream
            try:
                return self._link(piece.url).send("PUT", piece.url, stream, piece.headers)
            finally:
                del self._going[threading.get_ident()]

    def under_way(self) -> int:
        """Bytes handed to the link of files that are not through."""
        return sum(stream.passed for stream in list(self._going.values()))

    def _link(self, url: str) -> Link:
        origin = origin_of(url)
        with self._guard:
            if origin not in self._links:
                self._links[origin] = Link(origin, self._timeout, self._uploads)
            return self._links[origin]


def answers(origin: str, timeout: float) -> bool:
    """Whether the server there serves again; that it refuses an empty question is an answer, too."""
    link = Link(origin, timeout, 1)
    try:
        return link.send("HEAD", f"{origin}/").status not in TRY_LATER
    except Failure:
        return False
    finally:
        link.close()


def _outcome(answer: Answer) -> Outcome | None:
    """What an answer means; None: try again. Raises Refused for one that no repetition mends."""
    status = answer.status
    if 200 <= status < 300:
        return Outcome.STORED
    if status == 412:
        return Outcome.THERE
    # 404: the multipart upload that the ticket is for is over, or was given up.
    if status in (403, 404):
        return Outcome.EXPIRED
    if status == 400:
        return Outcome.WRONG_BYTES
    # 409: another write of the same key is on its way.
    if status in TRY_LATER or status == 409:
        return None
    raise Refused(
        status,
        "store",
        f"The store refused a file with {status} {answer.reason or ''}.",
        "The file is kept in the spool.",
        "Have the store's settings checked.",
    )

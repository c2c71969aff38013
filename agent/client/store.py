"""PUTs of originals straight into the object store, by ticket."""

from __future__ import annotations

import random
import threading
from collections.abc import Iterator
from enum import Enum
from pathlib import Path

import httpx

from agent.client.http import TRY_LATER, link_down, make_client
from agent.errors import LinkDown, Refused
from agent.outbox.spool import BLOCK
from service.contract.cards import UploadTicket

ATTEMPTS = 5
# Small enough to hold one per upload thread, large enough for nearly every still.
IN_MEMORY = 4 * BLOCK


class Outcome(Enum):
    STORED = "stored"
    THERE = "there"
    EXPIRED = "expired"
    WRONG_BYTES = "wrong bytes"


class Store:
    """Uploads from several threads over one pool of kept-alive connections."""

    def __init__(self, timeout: float, uploads: int) -> None:
        self._timeout = timeout
        self._uploads = uploads
        self._clients: dict[str, httpx.Client] = {}
        self._guard = threading.Lock()
        self.stop = threading.Event()

    def close(self) -> None:
        for client in self._clients.values():
            client.close()

    def put(self, ticket: UploadTicket, path: Path) -> Outcome:
        """PUT with exactly the ticket's headers. Raises LinkDown after several tries, Refused, OSError."""
        for attempt in range(ATTEMPTS):
            try:
                answer = self._once(ticket, path)
            except httpx.TransportError as error:
                failure = link_down(error, ticket.url)
            else:
                outcome = _outcome(answer)
                if outcome is not None:
                    return outcome
                failure = LinkDown(
                    f"The store answered {answer.status_code}.",
                    "What is not yet sent is kept in the spool.",
                    "Nothing to do: the agent tries again by itself while it runs.",
                )
            if self.stop.wait(0.3 * 2**attempt * random.uniform(0.5, 1.5)):  # noqa: S311
                break
        raise failure

    def _once(self, ticket: UploadTicket, path: Path) -> httpx.Response:
        client = self._client(ticket.url)
        if ticket.size <= IN_MEMORY:
            return client.put(ticket.url, content=path.read_bytes(), headers=ticket.headers)
        headers = {**ticket.headers, "Content-Length": str(ticket.size)}
        return client.put(ticket.url, content=_blocks(path), headers=headers)

    def _client(self, url: str) -> httpx.Client:
        origin = str(httpx.URL(url).copy_with(raw_path=b"/"))
        with self._guard:
            if origin not in self._clients:
                self._clients[origin] = make_client(origin, self._timeout, self._uploads)
            return self._clients[origin]


def _blocks(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        while block := file.read(BLOCK):
            yield block


def _outcome(answer: httpx.Response) -> Outcome | None:
    """What an answer means; None: try again. Raises Refused for one that no repetition mends."""
    status = answer.status_code
    if answer.is_success:
        return Outcome.STORED
    if status == 412:
        return Outcome.THERE
    if status == 403:
        return Outcome.EXPIRED
    if status == 400:
        return Outcome.WRONG_BYTES
    # 409: another write of the same key is on its way.
    if status in TRY_LATER or status == 409:
        return None
    raise Refused(
        status,
        "store",
        f"The store refused a file with {status} {answer.reason_phrase}.",
        "The file is kept in the spool.",
        "Have the store's settings checked.",
    )

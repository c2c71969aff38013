"""PUTs of originals straight into the object store, by ticket."""

from __future__ import annotations

import random
import threading
from enum import Enum
from pathlib import Path
from urllib.parse import urlsplit

import urllib3

from agent.client.http import TRY_LATER, link_down, make_pool
from agent.errors import LinkDown, Refused
from agent.outbox.spool import BLOCK
from service.contract.cards import UploadTicket

ATTEMPTS = 5


class Outcome(Enum):
    STORED = "stored"
    THERE = "there"
    EXPIRED = "expired"
    WRONG_BYTES = "wrong bytes"


class Store:
    """Uploads from several threads over one pool of kept-alive connections.

    By urllib3: httpx takes several times as long over one PUT, and a card has thousands.
    """

    def __init__(self, timeout: float, uploads: int) -> None:
        self._timeout = timeout
        self._uploads = uploads
        self._pools: dict[str, urllib3.PoolManager] = {}
        self._guard = threading.Lock()
        self.stop = threading.Event()

    def close(self) -> None:
        for pool in self._pools.values():
            pool.clear()

    def put(self, ticket: UploadTicket, path: Path) -> Outcome:
        """PUT with exactly the ticket's headers. Raises LinkDown after several tries, Refused, OSError."""
        for attempt in range(ATTEMPTS):
            try:
                answer = self._once(ticket, path)
            except urllib3.exceptions.HTTPError as error:
                failure = link_down(error, ticket.url)
            else:
                outcome = _outcome(answer)
                if outcome is not None:
                    return outcome
                failure = LinkDown(
                    f"The store answered {answer.status}.",
                    "What is not yet sent is kept in the spool.",
                    "Nothing to do: the agent tries again by itself while it runs.",
                )
            if self.stop.wait(0.3 * 2**attempt * random.uniform(0.5, 1.5)):  # noqa: S311
                break
        raise failure

    def _once(self, ticket: UploadTicket, path: Path) -> urllib3.BaseHTTPResponse:
        headers = {**ticket.headers, "Content-Length": str(ticket.size)}
        with path.open("rb", buffering=0) as file:
            return self._pool(ticket.url).request("PUT", ticket.url, body=file, headers=headers)

    def _pool(self, url: str) -> urllib3.PoolManager:
        origin = "{0.scheme}://{0.netloc}".format(urlsplit(url))
        with self._guard:
            if origin not in self._pools:
                self._pools[origin] = make_pool(origin, self._timeout, self._uploads, BLOCK)
            return self._pools[origin]


def _outcome(answer: urllib3.BaseHTTPResponse) -> Outcome | None:
    """What an answer means; None: try again. Raises Refused for one that no repetition mends."""
    status = answer.status
    if 200 <= status < 300:
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
        f"The store refused a file with {status} {answer.reason or ''}.",
        "The file is kept in the spool.",
        "Have the store's settings checked.",
    )

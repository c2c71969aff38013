"""HEAD requests, many at once: every file of a card is looked at in the store before it is recorded.

libcurl sends them, as work per file makes up most of a commit: boto3 takes twenty times as long for each,
urllib3 in threads four times. Nothing is repeated here, and no redirect is followed.
"""

from __future__ import annotations

import contextlib
import os
import queue
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import pycurl
from botocore.httpsession import get_cert_path

CONNECT_SECONDS = 5
READ_SECONDS = 30
# The longest wait for a socket before the state of all is looked at again.
SELECT_SECONDS = 1.0


@dataclass(frozen=True)
class Answer:
    """Status and headers, their names in lower case. `status` 0: no answer, and `trouble` says why."""

    status: int
    headers: Mapping[str, str] = field(default_factory=dict)
    trouble: str = ""


class Looks:
    """Kept-alive connections for HEADs. Thread-safe: each call has connections of its own while it lasts."""

    def __init__(self) -> None:
        # The same trust as boto3's client.
        self._trusted = os.environ.get("AWS_CA_BUNDLE") or str(get_cert_path(True))
        self._idle: queue.LifoQueue[pycurl.CurlMulti] = queue.LifoQueue()

    def heads(
        self, urls: Sequence[str], headers: Mapping[str, str] | None = None, at_once: int = 1
    ) -> list[Answer]:
        """The answer to a HEAD of each address, in their order, over at most `at_once` connections.

        The call ends in time: each request has its own limit, from when it begins.
        """
        lines = [f"{name}: {value}" for name, value in (headers or {}).items()]
        requests = [_Request(url, lines, self._trusted) for url in urls]
        many = self._take()
        try:
            _perform(many, requests, at_once)
        except BaseException:
            many.close()
            raise
        self._idle.put(many)
        return [request.answer() for request in requests]

    def _take(self) -> pycurl.CurlMulti:
        with contextlib.suppress(queue.Empty):
            return self._idle.get_nowait()
        return pycurl.CurlMulti()

    def close(self) -> None:
        """Close the connections that lie idle."""
        with contextlib.suppress(queue.Empty):
            while True:
                self._idle.get_nowait().close()


class _Request:
    def __init__(self, url: str, headers: list[str], trusted: str) -> None:
        self._lines: list[bytes] = []
        self.trouble = "no answer"
        self.curl = curl = pycurl.Curl()
        curl.setopt(pycurl.URL, url)
        # The signature is over the path as it stands.
        curl.setopt(pycurl.PATH_AS_IS, 1)
        curl.setopt(pycurl.NOBODY, 1)
        curl.setopt(pycurl.HTTPHEADER, headers)
        curl.setopt(pycurl.HEADERFUNCTION, self._lines.append)
        curl.setopt(pycurl.HTTP_VERSION, pycurl.CURL_HTTP_VERSION_1_1)
        curl.setopt(pycurl.CONNECTTIMEOUT, CONNECT_SECONDS)
        curl.setopt(pycurl.TIMEOUT, READ_SECONDS)
        # Time limits by signals are for programs of one thread.
        curl.setopt(pycurl.NOSIGNAL, 1)
        curl.setopt(pycurl.CAINFO, trusted)
        # Proxy variables of the machine are for the way out, not for the store.
        curl.setopt(pycurl.PROXY, "")

    def answer(self) -> Answer:
        """The answer to a request that is over; it can be taken only once."""
        status = 0 if self.trouble else self.curl.getinfo(pycurl.RESPONSE_CODE)
        self.curl.close()
        if not status:
            return Answer(0, trouble=self.trouble or "no answer")
        found = (line.decode("latin-1").partition(":") for line in self._lines)
        return Answer(status, {name.lower(): value.strip() for name, colon, value in found if colon})


def _perform(many: pycurl.CurlMulti, requests: Sequence[_Request], at_once: int) -> None:
    """Run all requests until each is over. Each begins when it has its turn, so its time limit is its own."""
    waiting = list(reversed(requests))
    going: dict[pycurl.Curl, _Request] = {}
    try:
        while waiting or going:
            while waiting and len(going) < at_once:
                request = waiting.pop()
                going[request.curl] = request
                many.add_handle(request.curl)
            many.perform()
            if not _ended(many, going):
                many.select(SELECT_SECONDS)
    finally:
        for curl in going:
            many.remove_handle(curl)


def _ended(many: pycurl.CurlMulti, going: dict[pycurl.Curl, _Request]) -> int:
    """How many requests ended since the last look; they are taken out of `going`."""
    ended = 0
    left = 1
    while left:
        left, good, bad = many.info_read()
        for curl, trouble in [(curl, "") for curl in good] + [
            (curl, f"curl {code}") for curl, code, _ in bad
        ]:
            going.pop(curl).trouble = trouble
            many.remove_handle(curl)
            ended += 1
    return ended

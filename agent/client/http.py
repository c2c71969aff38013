"""Requests to one server over several kept-alive connections, and what an answer means to the agent."""

from __future__ import annotations

import ipaddress
import threading
from urllib.parse import urlsplit
from urllib.request import getproxies, proxy_bypass

import msgspec

from agent.client.connection import LONGEST_CONNECT, LONGEST_SILENCE, Answer, Connection, Way
from agent.client.traffic import Stream
from agent.clock import steady
from agent.errors import LinkDown, Refused
from service.contract.problem import Problem

# The server is at work or asks to wait; the same request may succeed later.
TRY_LATER = frozenset({408, 425, 429, 500, 502, 503, 504})
# A connection that lay idle this long may have lost its far end without a word; a new one costs little. Less
# than what counts as a sleep: after one, none of them is used again.
IDLE = 5.0


class Link:
    """Connections to one server. Proxy variables are honoured, except for this machine itself."""

    def __init__(self, origin: str, timeout: float, connections: int, packed: bool = False) -> None:
        self.origin = origin
        self.silence = min(timeout, LONGEST_SILENCE)
        self._way = Way(self.silence, min(timeout, LONGEST_CONNECT), proxy_of(origin), packed)
        self._turns = threading.BoundedSemaphore(connections)
        self._guard = threading.Lock()
        self._idle: list[Connection] = []

    def close(self) -> None:
        """Close what lies idle."""
        with self._guard:
            idle, self._idle = self._idle, []
        for connection in idle:
            connection.close()

    def send(
        self,
        method: str,
        url: str,
        body: Stream | None = None,
        headers: dict[str, str] | None = None,
        answer_size: int = 0,
    ) -> Answer:
        """One request, its answer read whole. `answer_size` bytes are expected at most.

        Raises Failure when the link fails or is silent for too long, and what reading the body raised.
        """
        with self._turns:
            connection = self._take()
            try:
                answer = connection.send(method, url, body, headers or {}, answer_size)
            except BaseException:
                connection.close()
                # The others that lie idle broke with it, most likely.
                self.close()
                raise
            with self._guard:
                self._idle.append(connection)
            return answer

    def _take(self) -> Connection:
        with self._guard:
            if self._idle and steady() - self._idle[-1].used < IDLE:
                return self._idle.pop()
        # The last is the one used last: if it is too old, all are.
        self.close()
        return Connection(self._way)


def proxy_of(url: str) -> str:
    """The address of the proxy that the machine's variables or settings name for it; empty for none."""
    scheme, host = urlsplit(url).scheme, urlsplit(url).netloc
    if is_loopback(url) or proxy_bypass(host):
        return ""
    proxies = getproxies()
    return proxies.get(scheme) or proxies.get("all") or ""


def origin_of(url: str) -> str:
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.netloc}"


def is_loopback(url: str) -> bool:
    host = urlsplit(url).hostname or ""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def link_down(error: Exception, url: str) -> LinkDown:
    down = LinkDown(
        f"{urlsplit(url).netloc} cannot be reached: {error or type(error).__name__}.",
        "Everything read so far is kept on this workstation.",
        "Nothing to do: the agent tries again by itself while it runs.",
    )
    down.origin = origin_of(url)
    return down


def cannot_serve(detail: str, url: str) -> LinkDown:
    down = LinkDown(
        f"{urlsplit(url).netloc} cannot serve now: {detail}",
        "Everything read so far is kept on this workstation.",
        "Nothing to do: the agent tries again by itself while it runs.",
    )
    down.origin = origin_of(url)
    return down


def checked(answer: Answer, url: str) -> Answer:
    """The answer if it is a success or 304; raises LinkDown for one to be repeated later, else Refused."""
    if 200 <= answer.status < 300 or answer.status == 304:
        return answer
    problem = _problem(answer)
    detail = problem.detail if problem else f"The answer was {answer.status} {answer.reason or ''}."
    if answer.status in TRY_LATER:
        raise cannot_serve(detail, url)
    if problem is None:
        raise Refused(answer.status, "", detail)
    errors = "; ".join(f"{e.path}: {e.detail}" if e.path else e.detail for e in problem.errors[:5])
    raise Refused(
        answer.status,
        problem.type.rpartition(":")[2],
        f"{problem.detail} ({errors})" if errors else problem.detail,
        problem.consequence,
        problem.next_step,
    )


def _problem(answer: Answer) -> Problem | None:
    if "json" not in answer.headers.get("content-type", ""):
        return None
    try:
        return msgspec.json.decode(answer.data, type=Problem)
    except msgspec.DecodeError:
        return None

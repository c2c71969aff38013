"""Requests over kept-alive connections that no silence holds up, and what an answer means to the agent."""

from __future__ import annotations

import ipaddress
import socket
import ssl
import sys
import threading
from typing import IO, Any, cast
from urllib.parse import unquote, urlsplit
from urllib.request import getproxies, proxy_bypass

import msgspec
import urllib3
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

from agent.client.traffic import Stream
from agent.client.watching import WATCH, steady
from agent.errors import LinkDown, Refused
from service.contract.problem import Problem

Answer = urllib3.BaseHTTPResponse
Failure = urllib3.exceptions.HTTPError
# An open connection that broke, other than one that is silent or cannot be made.
Broken = urllib3.exceptions.ProtocolError

# The server is at work or asks to wait; the same request may succeed later.
TRY_LATER = frozenset({408, 425, 429, 500, 502, 503, 504})
# No single wait is longer, whatever the setting says: what hangs is to be cut within a minute.
LONGEST_SILENCE = 30.0
LONGEST_CONNECT = 10.0
# The slowest link on which a long answer still comes to its end, in bytes per second.
SLOWEST = 4_000.0
# A connection that lay idle this long may have lost its far end without a word; a new one costs little. Less
# than what counts as a sleep: after one, none of them is used again.
IDLE = 5.0
# What may lie unsent in the system: less and fast links wait, more and a cut loses it unseen.
UNSENT = 256 * 1024


def _socket_options() -> list[tuple[int, int, int]]:
    """Small requests at once, dead peers noticed, no more unsent than said, as far as the system can."""
    options = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1), (socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)]
    wanted = {"TCP_KEEPIDLE": 10, "TCP_KEEPINTVL": 5, "TCP_KEEPCNT": 3, "TCP_NOTSENT_LOWAT": UNSENT}
    if sys.platform == "linux":
        wanted["TCP_USER_TIMEOUT"] = int(LONGEST_SILENCE * 1000)
    for name, value in wanted.items():
        if hasattr(socket, name):
            options.append((socket.IPPROTO_TCP, getattr(socket, name), value))
    return options


class _Asked(threading.local):
    """What the request of this thread asks of its connection."""

    silence = LONGEST_SILENCE
    answer = 2 * LONGEST_SILENCE


_asked = _Asked()


class _Watched(HTTPConnection):
    """A connection whose request ends in time."""

    _used = 0.0

    def request(self, *arguments: Any, **named: Any) -> None:
        if self.sock is None:
            self.connect()
        # The limit of connecting ends here; from now on it is that of a block which nobody takes.
        self.timeout = _asked.silence
        WATCH.begin(self)
        try:
            super().request(*arguments, **named)
        except BrokenPipeError:
            # The answer may be there already: the caller looks.
            WATCH.begin(self, _asked.answer)
            raise
        except BaseException:
            WATCH.end(self)
            raise
        WATCH.begin(self, _asked.answer)

    def getresponse(self) -> Any:
        cut = True
        try:
            answer = super().getresponse()
        finally:
            cut = WATCH.end(self)
            self._used = steady()
        if cut:
            # A head that ends early looks like one without further members.
            raise Broken("the answer took too long", TimeoutError())
        return answer

    @property
    def is_connected(self) -> bool:
        return super().is_connected and steady() - self._used < IDLE


class _WatchedTls(_Watched, HTTPSConnection):
    pass


class _Pool(HTTPConnectionPool):
    ConnectionCls = _Watched


class _TlsPool(HTTPSConnectionPool):
    ConnectionCls = _WatchedTls


class Link:
    """Connections to one server. Proxy variables are honoured, except for this machine itself."""

    def __init__(self, origin: str, timeout: float, connections: int) -> None:
        self.origin = origin
        self.silence = min(timeout, LONGEST_SILENCE)
        self._timeout = urllib3.Timeout(connect=min(timeout, LONGEST_CONNECT), read=self.silence)
        self._pool = _make_pool(origin, connections)

    def close(self) -> None:
        self._pool.clear()

    def send(
        self,
        method: str,
        url: str,
        body: Stream | None = None,
        headers: dict[str, str] | None = None,
        answer_size: int = 0,
    ) -> Answer:
        """One request, never repeated, its answer read whole. `answer_size` bytes are expected at most.

        Raises urllib3's HTTPError when the link fails or is silent for too long.
        """
        _asked.silence = self.silence
        _asked.answer = 2 * self.silence + answer_size / SLOWEST
        try:
            # Of a file urllib3 wants `read` alone, which its types cannot say.
            return self._pool.request(
                method,
                url,
                body=cast("IO[bytes] | None", body),
                headers=headers,
                timeout=self._timeout,
                redirect=False,
            )
        except Failure:
            # The others that lie idle broke with it, most likely.
            self._pool.clear()
            raise


def _make_pool(url: str, connections: int) -> urllib3.PoolManager:
    scheme, host = urlsplit(url).scheme, urlsplit(url).netloc
    settings: dict[str, Any] = {
        "maxsize": connections,
        "block": True,
        "retries": False,
        "socket_options": _socket_options(),
    }
    if scheme == "https":
        settings["ssl_context"] = ssl.create_default_context()
    proxies = {} if is_loopback(url) or proxy_bypass(host) else getproxies()
    proxy = proxies.get(scheme) or proxies.get("all")
    if proxy is None:
        pool = urllib3.PoolManager(**settings)
    else:
        user = urllib3.util.parse_url(proxy).auth
        pool = urllib3.ProxyManager(
            proxy,
            proxy_headers=urllib3.make_headers(proxy_basic_auth=unquote(user)) if user else None,
            **settings,
        )
    pool.pool_classes_by_scheme = {"http": _Pool, "https": _TlsPool}
    return pool


def is_silence(error: Failure) -> bool:
    """Whether nothing came, or nothing was taken, for as long as we wait."""
    return isinstance(error, urllib3.exceptions.ReadTimeoutError) or (
        isinstance(error, Broken) and any(isinstance(one, TimeoutError) for one in error.args)
    )


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

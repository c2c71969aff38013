"""One request after the other over one kept-alive connection, by libcurl: a card wants thousands of them.

libcurl asks here after each piece and at least every second, whatever comes or does not come. So no silence,
no dribble and no sleep of the computer holds a request up, and no other thread has to look after it.
"""

from __future__ import annotations

import math
import socket
import ssl
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import cast

import pycurl

from agent.client.traffic import Stream
from agent.clock import steady

# No single wait is longer, whatever the setting says: what hangs is to be cut within a minute.
LONGEST_SILENCE = 30.0
LONGEST_CONNECT = 10.0
# The slowest link on which a long answer still comes to its end, in bytes per second.
SLOWEST = 4_000.0
LOOK_EVERY = 0.25
# Not having been asked for this long means that the computer slept: what the far end still knows is anyone's
# guess.
SLEPT = 10.0
# What may lie unsent in the system: less and fast links wait, more and a cut loses it unseen.
UNSENT = 256 * 1024
# What libcurl reads ahead at most: a whole picture in a read or two.
BUFFER = 256 * 1024


class Failure(Exception):
    """The link failed: whether the far end did what was asked is not known."""


class Broken(Failure):
    """An open connection that broke, other than one that is silent or cannot be made."""


class Silent(Failure):
    """Nothing came, or nothing was taken, for as long as we wait."""


# No connection was made, so that another try at once is of no use; and what that means.
_UNREACHED = {
    pycurl.E_UNSUPPORTED_PROTOCOL: "its address is of no kind that is spoken here",
    pycurl.E_URL_MALFORMAT: "its address cannot be used",
    pycurl.E_COULDNT_RESOLVE_PROXY: "this network does not know the name of the proxy",
    pycurl.E_COULDNT_RESOLVE_HOST: "this network does not know its name",
    pycurl.E_COULDNT_CONNECT: "nobody answers there",
    pycurl.E_OPERATION_TIMEDOUT: "no answer came in time",
    pycurl.E_SSL_CONNECT_ERROR: "no secure connection came about",
    pycurl.E_PEER_FAILED_VERIFICATION: "its certificate is none that this computer trusts",
    pycurl.E_SSL_CACERT_BADFILE: "the list of certificates that this computer trusts cannot be read",
}


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer read whole; the names of its headers in lower case."""

    status: int
    reason: str
    headers: Mapping[str, str]
    data: bytes


@dataclass(frozen=True, slots=True)
class Way:
    """How to reach one server. `silence`: seconds; `proxy`: its address, empty for none; `packed`: it may
    pack its answers, libcurl unpacks them."""

    silence: float
    connect: float
    proxy: str = ""
    packed: bool = False


@dataclass(slots=True)
class _Exchange:
    """What is known of the request under way; its methods are called by libcurl."""

    body: Stream | None
    silence: float
    answer_seconds: float
    lines: list[bytes] = field(default_factory=list)
    data: list[bytes] = field(default_factory=list)
    raised: BaseException | None = None
    cut: Failure | None = None
    _asked: float = field(default_factory=steady)
    _moved: float = field(default_factory=steady)
    _passed: tuple[int, int, int] = (0, 0, 0)
    _answer_due: float | None = None

    def read(self, size: int) -> bytes | int:
        assert self.body is not None
        try:
            return pycurl.READFUNC_ABORT if self._slept() else self.body.read(size)
        except BaseException as error:
            self.raised = error
            return pycurl.READFUNC_ABORT
        finally:
            # A limit may have held it up, which is no sleep.
            self._asked = steady()

    def progress(self, _down: int, down: int, _up: int, up: int) -> bool:
        """True: libcurl gives the request up."""
        try:
            # It asks ten times for a picture.
            if steady() - self._asked >= LOOK_EVERY and not self._slept():
                self._wait(self._asked, (down, up, len(self.lines)))
        except BaseException as error:
            # What a signal's handler raises: libcurl could only print it.
            self.raised = error
        return bool(self.cut or self.raised)

    def _slept(self) -> bool:
        at = steady()
        slept, self._asked = at - self._asked > SLEPT, at
        if slept:
            self.cut = Broken("the computer slept meanwhile")
        return slept

    def _wait(self, at: float, passed: tuple[int, int, int]) -> None:
        if passed != self._passed:
            self._moved, self._passed = at, passed
        if self._answer_due is None and (self.body is None or self.body.ended):
            self._answer_due = at + self.answer_seconds
        if at - self._moved > self.silence:
            self.cut = Silent(f"nothing moved for {self.silence:.0f} s")
        elif self._answer_due is not None and at > self._answer_due:
            self.cut = Silent("the answer took too long")


class Connection:
    """Not thread-safe: one request at a time."""

    def __init__(self, way: Way) -> None:
        self._way = way
        self._curl = pycurl.Curl()
        self.used = steady()

    def close(self) -> None:
        self._curl.close()

    def send(
        self, method: str, url: str, body: Stream | None, headers: Mapping[str, str], answer_size: int
    ) -> Answer:
        """One request, its answer read whole. Raises Failure, or what reading the body raised."""
        silence = self._way.silence
        exchange = _Exchange(body, silence, 2 * silence + answer_size / SLOWEST)
        curl = self._curl
        # Keeps the connection, forgets the request before.
        curl.reset()
        _set_way(curl, self._way)
        _set_request(curl, method, url, body, headers)
        _set_exchange(curl, exchange)
        try:
            curl.perform()
        except pycurl.error as error:
            raise exchange.raised or exchange.cut or _failure(error) from None
        finally:
            self.used = steady()
        return _answer(exchange, curl.getinfo(pycurl.RESPONSE_CODE))


def _set_way(curl: pycurl.Curl, way: Way) -> None:
    curl.setopt(pycurl.HTTP_VERSION, pycurl.CURL_HTTP_VERSION_1_1)
    curl.setopt(pycurl.CONNECTTIMEOUT_MS, math.ceil(way.connect * 1000))
    # Time limits by signals are for programs of one thread.
    curl.setopt(pycurl.NOSIGNAL, 1)
    curl.setopt(pycurl.SOCKOPTFUNCTION, _set_socket)
    # An empty one keeps libcurl from looking at the variables itself.
    curl.setopt(pycurl.PROXY, way.proxy)
    if way.packed:
        # Empty: whatever this libcurl can unpack.
        curl.setopt(pycurl.ACCEPT_ENCODING, "")
    for option, value in _trusted():
        curl.setopt(option, value)


def _set_request(
    curl: pycurl.Curl, method: str, url: str, body: Stream | None, headers: Mapping[str, str]
) -> None:
    curl.setopt(pycurl.URL, url)
    # The library's own names all it is built of, 170 bytes with every picture.
    curl.setopt(pycurl.USERAGENT, "sightledger-agent")
    # The signature of a ticket is over the path as it stands.
    curl.setopt(pycurl.PATH_AS_IS, 1)
    if body is not None:
        curl.setopt(pycurl.UPLOAD, 1)
        curl.setopt(pycurl.INFILESIZE_LARGE, body.size)
        # What is read ahead of a slow link is lost with each cut.
        curl.setopt(pycurl.UPLOAD_BUFFERSIZE, min(body.block, BUFFER))
    elif method == "HEAD":
        curl.setopt(pycurl.NOBODY, 1)
    curl.setopt(pycurl.CUSTOMREQUEST, method)
    # Waiting for leave to send would cost a round trip for each file.
    curl.setopt(pycurl.HTTPHEADER, [*(f"{name}: {value}" for name, value in headers.items()), "Expect:"])


def _set_exchange(curl: pycurl.Curl, exchange: _Exchange) -> None:
    curl.setopt(pycurl.READFUNCTION, exchange.read)
    curl.setopt(pycurl.HEADERFUNCTION, exchange.lines.append)
    curl.setopt(pycurl.WRITEFUNCTION, exchange.data.append)
    curl.setopt(pycurl.NOPROGRESS, 0)
    curl.setopt(pycurl.XFERINFOFUNCTION, exchange.progress)


def _set_socket(descriptor: int, _purpose: int) -> int:
    """Dead peers noticed, no more unsent than said, as far as the system can."""
    wanted = {"TCP_KEEPIDLE": 10, "TCP_KEEPINTVL": 5, "TCP_KEEPCNT": 3, "TCP_NOTSENT_LOWAT": UNSENT}
    if sys.platform == "linux":
        wanted["TCP_USER_TIMEOUT"] = int(LONGEST_SILENCE * 1000)
    end = socket.socket(fileno=descriptor)
    try:
        end.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for name, value in wanted.items():
            if hasattr(socket, name):
                end.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)
    except OSError:
        return pycurl.SOCKOPT_ERROR
    finally:
        end.detach()
    return pycurl.SOCKOPT_OK


@cache
def _trusted() -> list[tuple[int, str | bytes]]:
    """What this computer trusts: libcurl's own build does not know where that lies."""
    paths = ssl.get_default_verify_paths()
    found: list[tuple[int, str | bytes]] = []
    if paths.cafile:
        found.append((pycurl.CAINFO, paths.cafile))
    if paths.capath:
        found.append((pycurl.CAPATH, paths.capath))
    if not found:
        # Windows and macOS keep it elsewhere; Python reads it from there.
        known = ssl.create_default_context().get_ca_certs(binary_form=True)
        found.append((pycurl.CAINFO_BLOB, "".join(map(ssl.DER_cert_to_PEM_cert, known)).encode()))
    return found


def _failure(error: pycurl.error) -> BaseException:
    code, detail = cast("tuple[int, str]", error.args)
    if code == pycurl.E_ABORTED_BY_CALLBACK:
        # Given up by nobody of ours: a person's interrupt came as libcurl was about to ask.
        return KeyboardInterrupt()
    words = _UNREACHED.get(code)
    return Broken(f"the connection broke ({detail})") if words is None else Failure(f"{words} ({detail})")


def _answer(exchange: _Exchange, status: int) -> Answer:
    """Of several heads (a proxy's, or "100 Continue") the last is the answer's."""
    reason = ""
    headers: dict[str, str] = {}
    for line in exchange.lines:
        name, colon, value = line.decode("latin-1").partition(":")
        if colon:
            headers[name.lower()] = value.strip()
        elif name.startswith("HTTP/"):
            reason = name.strip().partition(" ")[2].partition(" ")[2]
            headers.clear()
    return Answer(status, reason, headers, b"".join(exchange.data))

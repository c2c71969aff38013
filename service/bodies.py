"""How much of a request's body is read, and for how long: less where nobody is signed in."""

from __future__ import annotations

from typing import Any

import anyio
from litestar.types import HTTPReceiveMessage, Receive, Scope, WebSocketReceiveMessage

from service.errors import TooSlow

# Bytes, unpacked, that a body may have; the routes name what they take.
NOBODY_SENDS = 16_384
BODY = 256_000
LONG_BODY = 2_000_000
# A manifest part of 500 files with Exif stays well below; image bytes never come this way.
LONGEST_BODY = 10_000_000

# Where nobody is signed in, a whole body comes within this many seconds: 16 kB do at 2 kB/s.
NOBODY_SECONDS = 10.0
# A caller who is known may send as slowly as the link is, but not stop for longer than this.
SILENT_SECONDS = 30.0

# Bytes that are read of a body nobody wants, so that its sender reads the refusal; and the seconds for that.
# An agent whose token has ended sends a manifest part of this size at most, packed.
NOBODY_UNREAD = 256_000
UNREAD = LONGEST_BODY
UNREAD_SECONDS = 10.0

# What a route's `opt` holds where packed bodies are taken.
TAKES_PACKED: dict[str, Any] = {"takes_packed": True}


class Body:
    """What a request brings. An answer given before all of it was read would end the connection, and take the
    answer with it where the caller still sends (RFC 9112 9.6): a refusal reads the rest first, within bounds.
    """

    def __init__(self, scope: Scope, receive: Receive) -> None:
        named = dict(scope["headers"])
        self._scope = scope
        self._receive = receive
        self._more = b"transfer-encoding" in named or named.get(b"content-length", b"0") != b"0"
        # A caller that expects 100-continue sends nothing before it is asked to.
        self._given_up = b"expect" in named
        self._due: float | None = None

    async def receive(self) -> HTTPReceiveMessage | WebSocketReceiveMessage:
        """The next piece; raises TooSlow (408, RFC 9110 15.5.9) when it does not come in time."""
        # After the body, what is waited for is that the caller leaves.
        if not self._more:
            return await self._receive()
        self._given_up = False
        try:
            with anyio.fail_after(self._seconds_left()):
                return await self._next()
        except TimeoutError as error:
            self._given_up = True
            raise TooSlow(
                "The body of the request stopped coming, or came too slowly.",
                next_step="Send the same request again over a link that holds; repeating it does no harm.",
            ) from error

    def _seconds_left(self) -> float:
        if self._known():
            return SILENT_SECONDS
        now = anyio.current_time()
        if self._due is None:
            self._due = now + NOBODY_SECONDS
        return max(0.0, self._due - now)

    def _known(self) -> bool:
        return self._scope.get("user") is not None

    async def _next(self) -> HTTPReceiveMessage | WebSocketReceiveMessage:
        message = await self._receive()
        self._more = message["type"] == "http.request" and message["more_body"]
        return message

    async def ended(self) -> bool:
        """Whether nothing is left unread, read on for that where it is worth it."""
        if self._more and not self._given_up:
            left = UNREAD if self._known() else NOBODY_UNREAD
            with anyio.move_on_after(UNREAD_SECONDS):
                while self._more and left > 0:
                    message = await self._next()
                    left -= len(message["body"]) if message["type"] == "http.request" else 0
        return not self._more

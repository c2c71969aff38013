"""Refusals are recorded where every answer passes: before the caller hears of it."""

from __future__ import annotations

from typing import Any

from litestar.datastructures import Headers
from litestar.enums import ScopeType
from litestar.types import ASGIApp, Message, Receive, Scope, Send

from service.access.actions.keeping import AccessLog
from service.access.auth import SESSION_COOKIE
from service.access.origin import Origin, asked_from, canonical_address, plain_user_agent
from service.access.rules import address_of

REFUSED, SIGN_IN_REFUSED, SIGN_IN_THROTTLED = "refused", "sign_in_refused", "sign_in_throttled"
TOKEN_REFUSED = "token_refused"  # noqa: S105 (no token, but the name of an event)


def noted(app: ASGIApp, log: AccessLog, *, trusted_proxy: bool) -> ASGIApp:
    """The app whose events know from where they were asked for, and whose refusals are events."""

    async def note_refusals(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != ScopeType.HTTP:
            await app(scope, receive, send)
            return

        async def send_noted(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] in (401, 403, 429):
                kind = _kind(scope, message["status"])
                if kind is not None:
                    await log.refused(kind, **_what(scope))
            await send(message)

        with asked_from(_origin(scope, trusted_proxy=trusted_proxy)):
            await app(scope, receive, send_noted)

    return note_refusals


def _origin(scope: Scope, *, trusted_proxy: bool) -> Origin:
    headers = Headers.from_scope(scope)
    connected = scope["client"][0] if scope["client"] else ""
    address = address_of(connected, headers.getall("x-forwarded-for", []), trusted_proxy=trusted_proxy)
    return Origin(
        address=canonical_address(address),
        user_agent=plain_user_agent(headers.get("user-agent")),
        request_id=scope["state"].get("request_id"),
        scope=scope,
    )


def _kind(scope: Scope, status: int) -> str | None:
    """What a refusal is; None for one that says nothing of anybody: no caller was named."""
    if status == 403:
        return REFUSED
    handler: Any = scope.get("route_handler")
    if handler is not None and handler.opt.get("exclude_from_auth"):
        return SIGN_IN_REFUSED if status == 401 else SIGN_IN_THROTTLED
    headers = Headers.from_scope(scope)
    named = "authorization" in headers or f"{SESSION_COOKIE}=" in headers.get("cookie", "")
    return TOKEN_REFUSED if status == 401 and named else None


def _what(scope: Scope) -> dict[str, Any]:
    act = scope["state"].get("refused_act")
    return {} if act is None else {"detail": {"act": act}, "concerns": act}

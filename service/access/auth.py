"""From a request to a Caller. Whatever proves who calls (a token, a session, one day single sign-on)
ends in `authenticate`; nothing behind it knows how it was proved."""

from __future__ import annotations

import hmac
from datetime import timedelta
from typing import Any
from urllib.parse import urlsplit

from litestar import Request
from litestar.connection import ASGIConnection
from litestar.datastructures import Cookie
from litestar.middleware import AbstractAuthenticationMiddleware, AuthenticationResult

from service.access.actions.signing_in import DEVICE_DAYS, Opened
from service.access.actions.tokens import caller_of_token, hash_of, must_have_set_password
from service.access.rules import NO_ACCOUNT, Caller, Visitor, address_of, network_of, origin_of
from service.contract.access import SignedIn
from service.database import Database, act_for, scope_of
from service.errors import NotAllowed, NotSignedIn
from service.settings import Settings

SESSION_COOKIE = "sightledger_session"
DEVICE_COOKIE = "sightledger_device_"
# What a route's `opt` holds that serves a person whose password somebody else set.
BEFORE_NEW_PASSWORD: dict[str, Any] = {"before_new_password": True}
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})

# The holder of the metrics token has no role and no site, so that every act is refused to it.
METRICS_READER = Caller(NO_ACCOUNT, "the metrics reader", frozenset(), frozenset())

Connection = ASGIConnection[Any, Any, Any, Any]


class Authentication(AbstractAuthenticationMiddleware):
    """Every route needs a caller, save those that say `exclude_from_auth=True`."""

    async def authenticate_request(self, connection: Connection) -> AuthenticationResult:
        state = connection.app.state
        caller = await authenticate(state.db, state.settings, connection)
        act_for(scope_of(caller.sites))
        if not connection.route_handler.opt.get("before_new_password"):
            await must_have_set_password(state.db, caller)
        return AuthenticationResult(user=caller, auth=None)


async def authenticate(db: Database, settings: Settings, connection: Connection) -> Caller:
    """The caller behind a request; raises NotSignedIn, or NotAllowed for a cookie used across sites."""
    token, idle = bearer_token(connection), timedelta(minutes=settings.session_idle_minutes)
    if token is not None:
        if settings.metrics_token and hmac.compare_digest(token.encode(), settings.metrics_token.encode()):
            return METRICS_READER
        return await caller_of_token(db, token, idle)
    cookie = connection.cookies.get(SESSION_COOKIE)
    if cookie is None:
        raise NotSignedIn(
            "The request names no caller.", next_step="Sign in, or send the token as Authorization: Bearer."
        )
    if connection.scope.get("method") not in SAFE_METHODS:
        must_be_same_origin(connection, settings, proof_needed=True)
    return await caller_of_token(db, cookie, idle)


def bearer_token(connection: Connection) -> str | None:
    """The token of the Authorization header (RFC 6750 2.1); None without the header."""
    header = connection.headers.get("authorization")
    if header is None:
        return None
    scheme, _, token = header.partition(" ")
    if scheme.lower() != "bearer" or not token.strip():
        raise NotSignedIn(
            "The Authorization header holds no bearer token.", next_step="Send Authorization: Bearer TOKEN."
        )
    return token.strip()


def device_cookie(login: str) -> str:
    """The name of the cookie by which a browser is known to an account: several people share a browser."""
    return DEVICE_COOKIE + hash_of(login).hex()[:16]


def cookies_of(settings: Settings, opened: Opened, login: str) -> list[Cookie]:
    """The cookies of a new session, and of a device that was not known to the account."""
    made = [session_cookie(settings, opened.signed_in)]
    if opened.device is not None:
        made.append(
            Cookie(
                key=device_cookie(login),
                value=opened.device,
                max_age=DEVICE_DAYS * 86_400,
                path="/",
                httponly=True,
                samesite="lax",
                secure=settings.secure_cookies,
            )
        )
    return made


def session_cookie(settings: Settings, signed_in: SignedIn | None) -> Cookie:
    """The cookie of a session; None: one that ends it in the browser."""
    return Cookie(
        key=SESSION_COOKIE,
        value=signed_in.token if signed_in else "",
        max_age=settings.session_hours * 3600 if signed_in else 0,
        path="/",
        httponly=True,
        samesite="lax",
        secure=settings.secure_cookies,
    )


def visitor_of(connection: Connection, settings: Settings, login: str) -> Visitor:
    """From which network, and from which device of the account, somebody signs in."""
    address = address_of(
        connection.client.host if connection.client else "",
        connection.headers.getall("x-forwarded-for", []),
        trusted_proxy=settings.trusted_proxy == "yes",
    )
    return Visitor(network_of(address), connection.cookies.get(device_cookie(login)))


def must_be_same_origin(connection: Connection, settings: Settings, *, proof_needed: bool) -> None:
    """Refuse a request that another site's page made the browser send (W3C Fetch Metadata; RFC 6454).

    Browsers send Sec-Fetch-Site or Origin with every unsafe request; `proof_needed` refuses a request
    with neither.
    """
    site, origin = connection.headers.get("sec-fetch-site"), connection.headers.get("origin")
    if site is not None:
        same = site == "same-origin"
    elif origin is not None:
        scheme = urlsplit(settings.public_url).scheme
        own = (settings.public_url, f"{scheme}://{connection.headers.get('host', '')}")
        same = origin_of(origin) in {origin_of(address) for address in own}
    else:
        same = not proof_needed
    if not same:
        raise NotAllowed(
            "The request was not sent by a page of this service.",
            next_step="Open the service's own page and do it there.",
        )


def local_accounts_must_be_on(settings: Settings) -> None:
    """Refuse a password where people sign in with the identity provider alone."""
    if settings.local_accounts == "no":
        raise NotAllowed(
            "Nobody signs in with a password here.",
            next_step="Sign in with the identity provider. When it is down, ask the operator for a code.",
        )


def provide_caller(request: Request[Any, Any, Any]) -> Caller:
    """The `caller` that handlers ask for."""
    caller: Caller = request.user
    return caller

"""Signing in by way of the identity provider, signing out at its word, and the operator's way past it."""

from __future__ import annotations

import time
from typing import Any
from urllib.parse import quote, unquote

from litestar import Response, get, post
from litestar.datastructures import Cookie
from litestar.di import NamedDependency
from litestar.response import Redirect

from service.access.actions.keeping import AccessLog
from service.access.actions.letting_in import sign_in_with_code
from service.access.actions.single_sign_on import ANSWER_PATH, Begun, SingleSignOn
from service.access.auth import must_be_same_origin, session_cookie
from service.access.refusals import TOKEN_REFUSED
from service.bodies import NOBODY_SENDS
from service.database import Database
from service.errors import NotFound, NotSignedIn, Refusal
from service.http import AnyRequest
from service.settings import Settings
from service.web.asked import sent_form
from service.web.rendering import page
from service.web.rules import local_path
from service.web.sign_in import form_page

BEGUN_SECONDS = 600
LONGEST_BACK = 1_000


def begun_cookie(settings: Settings, begun: Begun | None, back: str = "/") -> Cookie:
    """What makes a sign-in this browser's own; None: nothing is begun any more. The prefix __Host- keeps a
    neighbour under the same domain from setting it (RFC 6265bis 4.1.3.2, from memory)."""
    kept = back if len(back) <= LONGEST_BACK else "/"
    return Cookie(
        key="__Host-sightledger_sign_in" if settings.secure_cookies else "sightledger_sign_in",
        value=f"{begun.secret}.{int(time.time())}.{quote(kept, safe='')}" if begun else "",
        max_age=BEGUN_SECONDS if begun else 0,
        path="/",
        httponly=True,
        samesite="lax",
        secure=settings.secure_cookies,
    )


def begun_in(request: AnyRequest, settings: Settings) -> tuple[Begun | None, str]:
    """The sign-in that this browser began, and the path to return to."""
    secret, _, rest = request.cookies.get(begun_cookie(settings, None).key, "").partition(".")
    since, _, back = rest.partition(".")
    fresh = since.isascii() and since.isdigit() and 0 <= time.time() - int(since[:12]) <= BEGUN_SECONDS
    return (Begun(secret) if secret and fresh else None), local_path(unquote(back))


def _provider(single_sign_on: SingleSignOn | None) -> SingleSignOn:
    if single_sign_on is None:
        raise NotFound("No identity provider is set up here.", next_step="Sign in with a password.")
    return single_sign_on


@get("/sign-in/provider", name="page_provider", exclude_from_auth=True)
async def begin(
    request: AnyRequest,
    settings: NamedDependency[Settings],
    single_sign_on: NamedDependency[SingleSignOn | None],
) -> Response[Any]:
    back, begun = local_path(request.query_params.get("next")), Begun.fresh()
    try:
        address = await _provider(single_sign_on).address(begun)
    except Refusal as refusal:
        return form_page(settings, back, "", refusal)
    return Redirect(address, status_code=303, cookies=[begun_cookie(settings, begun, back)])


@get(ANSWER_PATH, name="page_provider_answer", exclude_from_auth=True)
async def answer(
    request: AnyRequest,
    db: NamedDependency[Database],
    settings: NamedDependency[Settings],
    single_sign_on: NamedDependency[SingleSignOn | None],
) -> Response[Any]:
    """The way back from the provider. Whatever comes of it, what the browser began is over."""
    begun, back = begun_in(request, settings)
    over = begun_cookie(settings, None)
    try:
        brought = {name: value for name, value in request.query_params.items() if len(value) <= NOBODY_SENDS}
        signed_in = await _provider(single_sign_on).finish(db, brought, begun)
    except Refusal as refusal:
        made = form_page(settings, back, "", refusal)
        made.set_cookie(over)
        return made
    return Redirect(back, status_code=303, cookies=[session_cookie(settings, signed_in), over])


@post("/sign-out/provider", exclude_from_auth=True, request_max_body_size=NOBODY_SENDS, status_code=200)
async def signed_out_at_provider(
    request: AnyRequest,
    db: NamedDependency[Database],
    single_sign_on: NamedDependency[SingleSignOn | None],
    access_log: NamedDependency[AccessLog],
) -> Response[None]:
    """Back-channel logout: no browser sends this but the provider itself, and its token proves it
    (Back-Channel Logout 1.0 2.5, 2.8)."""
    status = 200
    try:
        fields = dict(await sent_form(request, 10, NOBODY_SENDS))
        token = fields.get("logout_token", "")
        await _provider(single_sign_on).signed_out_at_provider(db, token)
    except NotSignedIn:
        await access_log.refused(TOKEN_REFUSED)
        status = 400
    return Response(None, status_code=status, headers={"Cache-Control": "no-store"})


def _code_page(settings: Settings, refusal: Refusal | None) -> Response[str]:
    return page(settings, "code.html", status=refusal.status if refusal else 200, refusal=refusal)


@get("/sign-in/code", name="page_code", exclude_from_auth=True)
async def code_form(settings: NamedDependency[Settings]) -> Response[str]:
    return _code_page(settings, None)


@post(
    "/sign-in/code",
    name="page_code_sent",
    exclude_from_auth=True,
    request_max_body_size=NOBODY_SENDS,
    status_code=200,
)
async def code_sent(
    request: AnyRequest, db: NamedDependency[Database], settings: NamedDependency[Settings]
) -> Response[Any]:
    must_be_same_origin(request, settings, proof_needed=True)
    fields = dict(await sent_form(request, 10, NOBODY_SENDS))
    try:
        signed_in = await sign_in_with_code(db, fields.get("code", "").strip(), settings.session_hours)
    except NotSignedIn as refusal:
        return _code_page(settings, refusal)
    return Redirect("/", status_code=303, cookies=[session_cookie(settings, signed_in)])


route_handlers = [begin, answer, signed_out_at_provider, code_form, code_sent]

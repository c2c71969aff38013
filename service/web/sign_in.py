"""Signing in and out by form; the session is a cookie that no script can read."""

from __future__ import annotations

from typing import Any

import msgspec
from litestar import Response, get, post
from litestar.di import NamedDependency
from litestar.response import Redirect

from service.access.actions import people
from service.access.actions.single_sign_on import SingleSignOn, host_of
from service.access.auth import local_accounts_must_be_on, must_be_same_origin
from service.access.routes import session_cookie
from service.access.rules import Caller
from service.contract.access import SignIn
from service.database import Database
from service.errors import Malformed, NotAllowed, NotSignedIn, Refusal, TooMany, Unavailable
from service.http import AnyRequest
from service.settings import Settings
from service.web.asked import sent_form
from service.web.rendering import page
from service.web.rules import local_path

LONGEST_FORM = 16_384


def form_page(settings: Settings, back: str, login: str, refusal: Refusal | None) -> Response[str]:
    made = page(
        settings,
        "sign_in.html",
        status=refusal.status if refusal else 200,
        next=back,
        login=login,
        refusal=refusal,
        provider=host_of(settings.sso_issuer),
        local=settings.local_accounts == "yes",
    )
    if refusal is not None and refusal.retry_after_s is not None:
        made.headers["Retry-After"] = str(refusal.retry_after_s)
    return made


@get("/sign-in", name="page_sign_in", exclude_from_auth=True)
async def form(request: AnyRequest, settings: NamedDependency[Settings]) -> Response[str]:
    return form_page(settings, local_path(request.query_params.get("next")), "", None)


@post("/sign-in", name="page_sign_in_sent", exclude_from_auth=True, status_code=200)
async def sign_in(
    request: AnyRequest, db: NamedDependency[Database], settings: NamedDependency[Settings]
) -> Response[Any]:
    """Every browser names the origin of a form it sends; without it another site could sign a visitor in
    to an account of its own."""
    must_be_same_origin(request, settings, proof_needed=True)
    fields = dict(await sent_form(request, 10, LONGEST_FORM))
    back, login = local_path(fields.get("next")), fields.get("login", "").strip()
    try:
        local_accounts_must_be_on(settings)
        credentials = msgspec.convert({"login": login, "password": fields.get("password", "")}, SignIn)
        signed_in = await people.sign_in(db, credentials, settings.session_hours)
    except (NotAllowed, NotSignedIn, TooMany) as refusal:
        return form_page(settings, back, login, refusal)
    except msgspec.ValidationError:
        return form_page(settings, back, login, Malformed("Give both the account and the password."))
    return Redirect(back, status_code=303, cookies=[session_cookie(settings, signed_in)])


@post("/sign-out", name="page_sign_out", status_code=200)
async def sign_out(
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    settings: NamedDependency[Settings],
    single_sign_on: NamedDependency[SingleSignOn | None],
) -> Response[Any]:
    if single_sign_on is None:
        await people.sign_out(db, caller)
    else:
        try:
            onward = await single_sign_on.sign_out(db, caller)
        except Unavailable as refusal:
            return _signed_out(settings, None, refusal)
        if onward is not None:
            return _signed_out(settings, onward, None)
    return Redirect("/sign-in", status_code=303, cookies=[session_cookie(settings, None)])


def _signed_out(settings: Settings, onward: str | None, refusal: Refusal | None) -> Response[str]:
    """The session here has ended, the one at the provider not yet. A page goes on to there: the policy of the
    pages lets no form be led to another host."""
    host = host_of(settings.sso_issuer)
    made = page(settings, "signed_out.html", onward=onward, provider=host, refusal=refusal)
    made.set_cookie(session_cookie(settings, None))
    return made


route_handlers = [form, sign_in, sign_out]

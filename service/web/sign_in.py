"""Signing in and out by form; the session is a cookie that no script can read."""

from __future__ import annotations

from typing import Any

import msgspec
from litestar import Response, get, post
from litestar.di import NamedDependency
from litestar.response import Redirect

from service.access.actions import people, signing_in
from service.access.actions.single_sign_on import SingleSignOn, host_of
from service.access.auth import (
    BEFORE_NEW_PASSWORD,
    cookies_of,
    local_accounts_must_be_on,
    must_be_same_origin,
    session_cookie,
    visitor_of,
)
from service.access.rules import Caller
from service.bodies import NOBODY_SENDS
from service.contract.access import PasswordChange, SignIn
from service.database import Database
from service.errors import (
    Conflict,
    Invalid,
    Malformed,
    NotAllowed,
    NotSignedIn,
    Refusal,
    TooMany,
    Unavailable,
)
from service.http import AnyRequest
from service.settings import Settings
from service.web.asked import sent_form
from service.web.rendering import page
from service.web.rules import local_path


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


@post(
    "/sign-in",
    name="page_sign_in_sent",
    exclude_from_auth=True,
    request_max_body_size=NOBODY_SENDS,
    status_code=200,
)
async def sign_in(
    request: AnyRequest, db: NamedDependency[Database], settings: NamedDependency[Settings]
) -> Response[Any]:
    """Every browser names the origin of a form it sends; without it another site could sign a visitor in
    to an account of its own."""
    must_be_same_origin(request, settings, proof_needed=True)
    fields = dict(await sent_form(request, 10, NOBODY_SENDS))
    back, login = local_path(fields.get("next")), fields.get("login", "").strip()
    try:
        local_accounts_must_be_on(settings)
        credentials = msgspec.convert({"login": login, "password": fields.get("password", "")}, SignIn)
        visitor = visitor_of(request, settings, login)
        opened = await signing_in.sign_in(db, credentials, settings.session_hours, visitor)
    except (NotAllowed, NotSignedIn, TooMany) as refusal:
        return form_page(settings, back, login, refusal)
    except msgspec.ValidationError:
        return form_page(settings, back, login, Malformed("Give both the account and the password."))
    return Redirect(back, status_code=303, cookies=cookies_of(settings, opened, login))


async def _new_password_page(
    db: Database, settings: Settings, caller: Caller, refusal: Refusal | None
) -> Response[str]:
    made = page(
        settings,
        "new_password.html",
        status=refusal.status if refusal else 200,
        reset=await people.read_reset(db, caller),
        name=caller.name,
        refusal=refusal,
    )
    if refusal is not None and refusal.retry_after_s is not None:
        made.headers["Retry-After"] = str(refusal.retry_after_s)
    return made


@get("/new-password", name="page_new_password", opt=BEFORE_NEW_PASSWORD)
async def new_password_form(
    db: NamedDependency[Database], caller: NamedDependency[Caller], settings: NamedDependency[Settings]
) -> Response[str]:
    return await _new_password_page(db, settings, caller, None)


@post("/new-password", name="page_new_password_sent", opt=BEFORE_NEW_PASSWORD, status_code=200)
async def new_password(
    request: AnyRequest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    settings: NamedDependency[Settings],
) -> Response[Any]:
    """Set a password of one's own, with the present one."""
    fields = dict(await sent_form(request, 10, NOBODY_SENDS))
    try:
        sent = {"current": fields.get("current", ""), "new": fields.get("new", "")}
        change = msgspec.convert(sent, PasswordChange)
        await people.change_password(db, caller, caller.person(), change)
    except msgspec.ValidationError:
        short = Malformed("A new password has 12 characters or more.")
        return await _new_password_page(db, settings, caller, short)
    except (Conflict, Invalid, NotAllowed, TooMany) as refusal:
        return await _new_password_page(db, settings, caller, refusal)
    return Redirect("/", status_code=303)


@post("/sign-out", name="page_sign_out", opt=BEFORE_NEW_PASSWORD, status_code=200)
async def sign_out(
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    settings: NamedDependency[Settings],
    single_sign_on: NamedDependency[SingleSignOn | None],
) -> Response[Any]:
    if single_sign_on is None:
        await signing_in.sign_out(db, caller)
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


route_handlers = [form, sign_in, new_password_form, new_password, sign_out]

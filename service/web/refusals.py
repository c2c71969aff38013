"""Refusals and failures as pages for browsers, with the same content as the problem details."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from urllib.parse import unquote, urlencode

import msgspec
from litestar import Response
from litestar.response import Redirect
from litestar.types import ExceptionHandlersMap

from service.contract.problem import Problem
from service.errors import NotSignedIn, PasswordWasReset
from service.http import AnyRequest
from service.web.rendering import page

UNIT_PATH = "/api/v1/units/"


def wants_page(request: AnyRequest) -> bool:
    """True for a browser outside the API: it names text/html in Accept, programs do not."""
    return "text/html" in request.headers.get("accept", "") and not request.url.path.startswith("/api/")


def with_pages(handlers: ExceptionHandlersMap) -> ExceptionHandlersMap:
    """The same handlers, whose answers become pages where a browser asks; a visitor who is not signed in
    is shown the sign-in page and comes back to what he asked for."""
    return {kind: _paged(handler) for kind, handler in handlers.items()}


def _paged(handler: Callable[[Any, Any], Response[Any]]) -> Callable[[AnyRequest, Any], Response[Any]]:
    def answer(request: AnyRequest, error: Exception) -> Response[Any]:
        answered = handler(request, error)
        if not wants_page(request):
            return answered
        if isinstance(error, NotSignedIn):
            return _to_sign_in(request)
        if isinstance(error, PasswordWasReset):
            return Redirect("/new-password", status_code=303)
        return _as_page(request, answered)

    return answer


def _to_sign_in(request: AnyRequest) -> Response[Any]:
    query = request.scope["query_string"].decode("latin-1")
    address = request.url.path + (f"?{query}" if query else "")
    back = f"?{urlencode({'next': address})}" if request.method == "GET" and address != "/" else ""
    return Redirect(f"/sign-in{back}", status_code=303)


def _as_page(request: AnyRequest, answered: Response[Any]) -> Response[Any]:
    problem = msgspec.json.decode(answered.content, type=Problem)
    paths = [error.path for error in problem.errors if error.path is not None]
    made = page(
        request.app.state.settings,
        "refusal.html",
        status=problem.status,
        caller=request.scope.get("user"),
        problem=problem,
        alike=[unquote(path[len(UNIT_PATH) :]) for path in paths if path.startswith(UNIT_PATH)],
    )
    for name, value in answered.headers.items():
        if name.lower() not in ("content-type", "content-length"):
            made.headers[name] = value
    return made

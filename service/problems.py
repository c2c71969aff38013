"""Every refusal and failure as RFC 9457 problem details, and what is written to the log about it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

import msgspec
import psycopg
import psycopg_pool
import sqlalchemy.exc
import structlog
from litestar import Response
from litestar.exceptions import HTTPException, ValidationException
from litestar.openapi.datastructures import ResponseSpec
from litestar.types import ExceptionHandlersMap
from psycopg import errors as pg

from service.contract.problem import Problem, ProblemError
from service.errors import Conflict, Malformed, Refusal, Unavailable
from service.http import AnyRequest

PROBLEM_TYPE = "application/problem+json"
REPEAT = "Repeat the same request; repeating it does no harm."

_log = structlog.get_logger("service.problems")


def problem_response(
    request: AnyRequest, problem: Problem, headers: Mapping[str, str] | None = None
) -> Response[bytes]:
    """`problem` as application/problem+json; `instance` is the path that was asked."""
    problem.instance = request.url.path
    return Response(
        msgspec.json.encode(problem),
        status_code=problem.status,
        media_type=PROBLEM_TYPE,
        headers=dict(headers or {}),
    )


def refused(request: AnyRequest, refusal: Refusal) -> Response[bytes]:
    request.scope["state"]["refused_act"] = getattr(refusal, "act", None)
    headers = {}
    if refusal.status == 401:
        headers["WWW-Authenticate"] = 'Bearer realm="sightledger"'
    if refusal.retry_after_s is not None:
        headers["Retry-After"] = str(refusal.retry_after_s)
    return problem_response(request, refusal.problem(), headers)


def not_served(request: AnyRequest, error: HTTPException) -> Response[bytes]:
    """What the framework itself refuses: no such path, method not allowed, body too large."""
    if error.status_code >= 500:
        return failed(request, error)
    if error.status_code == 400:
        return refused(request, Malformed(f"The request cannot be read: {error.detail}."))
    status = HTTPStatus(error.status_code)
    # RFC 9457 4.2.1: about:blank goes with the status phrase as title.
    problem = Problem(type="about:blank", title=status.phrase, status=int(status), detail=error.detail)
    return problem_response(request, problem, error.headers)


def not_valid(request: AnyRequest, error: ValidationException) -> Response[bytes]:
    found = error.extra if isinstance(error.extra, list) else []
    refusal = Malformed(
        "The request does not have the shape this address takes.",
        next_step="Correct the parts listed under errors and send it again.",
        errors=[_shape_error(item) for item in found] or [ProblemError(detail=error.detail)],
    )
    return refused(request, refusal)


def _shape_error(item: Mapping[str, Any]) -> ProblemError:
    message, key = str(item.get("message", "")), str(item.get("key", ""))
    if item.get("source") == "body":
        return ProblemError(detail=message, path=_pointer(key))
    return ProblemError(detail=f"{item.get('source', 'parameter')} {key}: {message}")


def _pointer(key: str) -> str:
    """A JSON pointer (RFC 6901) from `files[3].size`; a map's member is named by the map alone."""
    known = key.split("[...]")[0]
    steps = [] if known == "data" else re.findall(r"[^.\[\]]+", known)
    return "".join(f"/{step.replace('~', '~0').replace('/', '~1')}" for step in steps)


def failed(request: AnyRequest, error: Exception) -> Response[bytes]:
    """A fault of ours: written to the log whole, answered without its inside."""
    _log.error("request failed", exc_info=error)
    problem = Problem(
        type="urn:sightledger:problem:failed",
        title="The service failed",
        status=500,
        detail=f"The service met a fault of its own (request {request.scope['state'].get('request_id')}).",
        consequence="What was under way was rolled back; nothing that was confirmed before is touched.",
        next_step=f"{REPEAT} If it fails again, tell the administrator the request id.",
    )
    return problem_response(request, problem)


def database_failed(request: AnyRequest, error: Exception) -> Response[bytes]:
    """What came out of Postgres or its driver, told apart by SQLSTATE class."""
    cause = error.orig if isinstance(error, sqlalchemy.exc.DBAPIError) else error
    if isinstance(cause, pg.UniqueViolation | pg.ExclusionViolation):
        _log.warning("a rule of the database was broken", constraint=cause.diag.constraint_name)
        return refused(request, Conflict("Another request wrote the same record first.", next_step=REPEAT))
    if isinstance(cause, psycopg.DataError):
        _log.warning("a value cannot be stored", sqlstate=cause.sqlstate)
        return refused(request, Malformed("The request holds a NUL character or a number too large."))
    if isinstance(cause, psycopg.OperationalError | sqlalchemy.exc.TimeoutError | psycopg_pool.PoolTimeout):
        _log.error(
            "the database did not answer",
            cause=type(cause).__name__,
            sqlstate=getattr(cause, "sqlstate", None),
        )
        refusal = Unavailable(
            "The database did not carry out the request in time.",
            consequence="If the line broke at the very end, the request may have been carried out.",
            next_step=REPEAT,
        )
        return refused(request, refusal)
    return failed(request, error)


EXCEPTION_HANDLERS: ExceptionHandlersMap = {
    Refusal: refused,
    ValidationException: not_valid,
    HTTPException: not_served,
    sqlalchemy.exc.SQLAlchemyError: database_failed,
    psycopg.Error: database_failed,
    Exception: failed,
}


def problems(*statuses: int) -> dict[int, ResponseSpec]:
    """For a handler's `responses=`: these statuses are answered with problem details (RFC 9457)."""
    return {
        status: ResponseSpec(
            data_container=Problem,
            description=HTTPStatus(status).phrase,
            generate_examples=False,
            media_type=PROBLEM_TYPE,
        )
        for status in statuses
    }

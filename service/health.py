"""Whether the service lives, whether it can work, and what it measured."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable

import structlog
from litestar import Response, get
from litestar.di import NamedDependency

from service.access.auth import METRICS_READER
from service.access.rules import Caller, Role
from service.contract.wire import Wire
from service.database import Database
from service.errors import NotAllowed, Unavailable
from service.objects import Objects
from service.observe import METRICS_TYPE, metrics_text
from service.problems import problems
from service.watching import Watch
from service.writable import Writable

ANSWER_WITHIN_S = 5
MAY_READ_METRICS = frozenset({Role.AUDITOR, Role.MANAGER, Role.ADMINISTRATOR})


class Health(Wire):
    status: str


@get("/health/live", exclude_from_auth=True, security=[{}], tags=["health"])
async def live() -> Health:
    """The process answers. Says nothing of the database or the store."""
    return Health(status="live")


@get("/health/ready", exclude_from_auth=True, security=[{}], tags=["health"], responses=problems(503))
async def ready(
    db: NamedDependency[Database], objects: NamedDependency[Objects], writable: NamedDependency[Writable]
) -> Health:
    """Database (at the newest migration) and object store answer and take writes; 503 names what does not.

    Whether they take writes is tried at most once a minute by each process.
    """
    found = await asyncio.gather(
        _answers("the database, at the newest migration", db.ready()),
        _answers("the object store", objects.ready()),
    )
    if missing := [name for name in found if name]:
        raise _not_ready("Does not answer", missing, "Look at the log of the service for the reason.")
    takes = {"the database": await writable.database(), "the object store": await writable.store()}
    if full := [name for name, good in takes.items() if not good]:
        advice = "Look whether its disk is full or it stands read-only; the log of the service says more."
        raise _not_ready("Takes no writes", full, advice)
    return Health(status="ready")


def _not_ready(what: str, parts: list[str], next_step: str) -> Unavailable:
    return Unavailable(
        f"{what}: {'; '.join(parts)}.",
        consequence="Agents keep what they have read and send it later.",
        next_step=next_step,
    )


async def _answers(name: str, question: Awaitable[object]) -> str | None:
    """None when the part answers in time, else its name."""
    try:
        async with asyncio.timeout(ANSWER_WITHIN_S):
            return name if await question is False else None
    except Exception as error:
        structlog.get_logger("service.health").warning("not ready", part=name, cause=type(error).__name__)
        return name


@get("/metrics", media_type="text/plain", include_in_schema=False)
async def metrics(
    caller: NamedDependency[Caller], db: NamedDependency[Database], watch: NamedDependency[Watch]
) -> Response[bytes]:
    """Measurements and figures of the stock for Prometheus; for auditors, managers, administrators and
    the metrics token."""
    if caller is not METRICS_READER and not caller.roles & MAY_READ_METRICS:
        raise NotAllowed(f"{caller.name} may not read the metrics.")
    return Response(metrics_text() + await watch.text(db), media_type=METRICS_TYPE)

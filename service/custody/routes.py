"""Custody of the originals and retention policies over HTTP."""

from __future__ import annotations

from litestar import Response, Router, get, put
from litestar.di import NamedDependency
from litestar.params import JSONBody

from service.access.routes import SiteCode
from service.access.rules import Caller
from service.contract.custody import CustodyOverview, Retention, RetentionIn
from service.custody.actions import overview
from service.custody.actions import retention as retention_actions
from service.database import Database
from service.http import AnyRequest, conditional, tagged, unchanged
from service.problems import problems
from service.settings import Settings
from service.writable import Writable


@get("/custody", responses=problems(401, 403))
async def read_custody(
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    settings: NamedDependency[Settings],
    writable: NamedDependency[Writable],
) -> CustodyOverview:
    """How the originals are kept: read back, not sound, locked. For auditors, the quality office and
    administrators."""
    return await overview.read_custody(db, caller, settings.audit_days, writable)


@get("/sites/{code:str}/retention", responses=problems(400, 401, 403, 404))
async def read_retention(
    request: AnyRequest, code: SiteCode, db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> Response[Retention | None]:
    """How long a site wants its originals locked, with the ETag that a change of it needs."""
    return conditional(request, await retention_actions.read_retention(db, caller, code))


@put("/sites/{code:str}/retention", status_code=200, responses=problems(400, 401, 403, 404, 412, 428))
async def put_retention(
    request: AnyRequest,
    code: SiteCode,
    data: JSONBody[RetentionIn],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> Response[Retention]:
    """With If-Match: lock the site's originals for so many days, those that are held and those to come."""
    return tagged(await retention_actions.put_retention(db, caller, code, data, unchanged(request)))


router = Router(
    path="/api/v1", route_handlers=[read_custody, read_retention, put_retention], tags=["custody"]
)

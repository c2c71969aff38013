"""Campaigns, inspections, statements, completion and work lists over HTTP."""

from __future__ import annotations

from typing import Annotated, Literal
from uuid import UUID

from litestar import Response, Router, get, post, put
from litestar.di import NamedDependency
from litestar.params import FromPath, FromQuery, JSONBody, QueryParameter

from service.access.rules import Caller
from service.bodies import LONG_BODY
from service.campaigns.actions import binding, opening, reading, stating, worklist
from service.contract.campaigns import (
    Campaign,
    CampaignIn,
    Completion,
    InspectionDetail,
    InspectionRow,
    LocationPassage,
    StatementMade,
    StatementOut,
    UnitsIn,
)
from service.contract.wire import Page
from service.contract.work import StatementIn, Worklist
from service.database import Database
from service.errors import Malformed
from service.http import (
    AnyRequest,
    Cursor,
    PageSize,
    conditional,
    decode_cursor,
    link_next,
    precondition,
)
from service.problems import problems

EquipmentType = Annotated[str | None, QueryParameter(name="type", description="code of an equipment type")]
# Of the inspection: complete, blocked, open. Of at least one location of the bound revision: the others.
StateFilter = Literal[
    "complete",
    "blocked",
    "open",
    "reopened",
    "not_inspected",
    "omission_authorised",
    "conflict",
    "no_statement",
]


def _tagged(campaign: Campaign) -> Response[Campaign]:
    return Response(campaign, headers={"ETag": opening.campaign_tag(campaign.id, campaign.version)})


@put(
    "/campaigns/{campaign_id:uuid}",
    status_code=200,
    request_max_body_size=LONG_BODY,
    responses=problems(400, 401, 403, 404, 409, 412, 422),
)
async def put_campaign(
    request: AnyRequest,
    campaign_id: FromPath[UUID],
    data: JSONBody[CampaignIn],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> Response[Campaign]:
    """Open a campaign; with If-Match, change the name or window of one. The same request again gives
    the campaign as it stands."""
    unchanged = precondition(request) if "if-match" in request.headers else None
    return _tagged(await opening.put_campaign(db, caller, campaign_id, data, unchanged=unchanged))


@get("/campaigns", responses=problems(400, 401, 403))
async def list_campaigns(
    request: AnyRequest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[Page[Campaign]]:
    """Campaigns with units at the caller's sites, newest id first."""
    before = decode_cursor(cursor, UUID)
    items, more = await reading.list_campaigns(db, caller, before=before, limit=limit)
    return Response(Page(items=items), headers=link_next(request, more))


@get("/campaigns/{campaign_id:uuid}", responses=problems(400, 401, 403, 404))
async def read_campaign(
    campaign_id: FromPath[UUID], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> Response[Campaign]:
    """One campaign; its ETag goes with what can be edited, not with the counts: never answered by 304."""
    return _tagged(await reading.read_campaign(db, caller, campaign_id))


@put(
    "/campaigns/{campaign_id:uuid}/units",
    status_code=200,
    request_max_body_size=LONG_BODY,
    responses=problems(400, 401, 403, 404, 409, 422),
)
async def add_units(
    campaign_id: FromPath[UUID],
    data: JSONBody[UnitsIn],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> Response[Campaign]:
    """Add units by serial number, all or none; those that are in stay as they are."""
    return _tagged(await opening.add_units(db, caller, campaign_id, data.units))


@post(
    "/campaigns/{campaign_id:uuid}/closing",
    status_code=200,
    responses=problems(400, 401, 403, 404),
)
async def close_campaign(
    campaign_id: FromPath[UUID], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> Response[Campaign]:
    """Close a campaign: no more statements of people, no more units. Cards that come late are taken."""
    return _tagged(await opening.close_campaign(db, caller, campaign_id))


@get("/campaigns/{campaign_id:uuid}/inspections", responses=problems(400, 401, 403, 404))
async def list_inspections(
    request: AnyRequest,
    campaign_id: FromPath[UUID],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    site: FromQuery[str | None] = None,
    inspection_state: Annotated[StateFilter | None, QueryParameter(name="state")] = None,
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[Page[InspectionRow]]:
    """The units of a campaign by ascending serial number, with their counts. `state` complete or open
    is that of the inspection, any other that of at least one of its locations."""
    items, more = await reading.list_inspections(
        db,
        caller,
        campaign_id,
        site=site,
        state=inspection_state,
        after=decode_cursor(cursor, str),
        limit=limit,
    )
    return Response(Page(items=items), headers=link_next(request, more))


@get("/inspections/{inspection_id:uuid}", responses=problems(400, 401, 403, 404))
async def read_inspection(
    request: AnyRequest,
    inspection_id: FromPath[UUID],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> Response[InspectionDetail | None]:
    """One inspection: the state of each location, and how it came to its revision."""
    found = await reading.read_inspection(db, caller, inspection_id)
    return conditional(request, found)


@get("/inspections/{inspection_id:uuid}/statements", responses=problems(400, 401, 403, 404))
async def list_statements(
    inspection_id: FromPath[UUID], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> list[StatementOut]:
    """Everything that was said of an inspection, as recorded; nothing said is ever taken out."""
    return await reading.list_statements(db, caller, inspection_id)


@post(
    "/inspections/{inspection_id:uuid}/statements",
    status_code=200,
    responses=problems(400, 401, 403, 404, 409, 422),
)
async def make_statement(
    inspection_id: FromPath[UUID],
    data: JSONBody[StatementIn],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> StatementMade:
    """State that locations are complete, reopened, not inspected, or left out with authority."""
    if data.inspection_id != inspection_id:
        raise Malformed("The statement speaks of another inspection than the address names.")
    return await stating.make_statement(db, caller, data)


@get("/inspections/{inspection_id:uuid}/bindings/next", responses=problems(400, 401, 403, 404, 409))
async def preview_binding(
    inspection_id: FromPath[UUID], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> LocationPassage:
    """Which locations would come and go with the revision that is effective at the site now."""
    return await binding.preview_binding(db, caller, inspection_id)


@get("/completion", responses=problems(400, 401, 403))
async def read_completion(
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    campaign: FromQuery[UUID | None] = None,
    site: FromQuery[str | None] = None,
    equipment_type: EquipmentType = None,
) -> Completion:
    """How far each campaign is at each site and equipment type, and the sum."""
    return await reading.read_completion(
        db, caller, campaign_id=campaign, site=site, equipment_type=equipment_type
    )


@get("/sites/{code:str}/worklist", responses=problems(400, 401, 403, 404))
async def read_worklist(
    request: AnyRequest,
    code: FromPath[str],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> Response[Worklist | None]:
    """The open inspections of a site, and the plan revisions an agent there has to hold."""
    found = await worklist.read_worklist(db, caller, code)
    return conditional(request, found)


router = Router(
    path="/api/v1",
    tags=["campaigns"],
    route_handlers=[
        put_campaign,
        list_campaigns,
        read_campaign,
        add_units,
        close_campaign,
        list_inspections,
        read_inspection,
        list_statements,
        make_statement,
        preview_binding,
        read_completion,
        read_worklist,
    ],
)

"""Units, histories and images over HTTP."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated
from uuid import UUID

from litestar import Response, Router, get, post, put
from litestar.di import NamedDependency
from litestar.params import FromQuery, JSONBody, PathParameter, QueryParameter
from litestar.response import Redirect

from service.access.actions.keeping import AccessLog
from service.access.rules import Caller
from service.contract.comparing import ImagesAsked, ImagesHeld
from service.contract.records import (
    Download,
    HistoryItem,
    ImageDetail,
    Move,
    PositionIn,
    Unit,
    UnitDetail,
    UnitIn,
)
from service.contract.wire import CODE_PATTERN, Page
from service.database import Database
from service.http import (
    AnyRequest,
    Cursor,
    ImageDigest,
    PageSize,
    Serial,
    decode_cursor,
    link_next,
    paged,
)
from service.objects import Objects
from service.problems import problems
from service.records.actions import history, images, moves, units
from service.records.store.history import Wanted
from service.units import actions as units_actions

NewSerial = Annotated[str, PathParameter(max_length=64, pattern=CODE_PATTERN)]


@put("/units/{serial:str}", status_code=200, responses=problems(400, 401, 403, 409, 422))
async def create_unit(
    serial: NewSerial, data: JSONBody[UnitIn], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> UnitDetail:
    """Record a new unit. The same request again answers the same unit."""
    return await units_actions.create_unit(db, caller, serial, data)


@post("/units/{serial:str}/positions", status_code=200, responses=problems(400, 401, 403, 404, 409, 422))
async def move_unit(
    serial: Serial, data: JSONBody[PositionIn], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> UnitDetail:
    """Record where a unit stands from a date on."""
    return await units.move_unit(db, caller, serial, data)


@get("/units", responses=problems(400, 401, 403))
async def list_units(
    request: AnyRequest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    q: Annotated[str | None, QueryParameter(max_length=64, description="any part of a serial number")] = None,
    site: FromQuery[str | None] = None,
    type_code: Annotated[str | None, QueryParameter(name="type")] = None,
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[Page[Unit]]:
    """Units by ascending serial number: for picking, so that no serial has to be typed."""
    after = decode_cursor(cursor, str)
    items = await units.list_units(
        db, caller, search=q, site=site, type_code=type_code, after=after, limit=limit
    )
    return paged(request, items, limit, lambda item: item.serial)


@get("/units/{serial:str}", responses=problems(400, 401, 403, 404))
async def read_unit(
    serial: Serial, db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> UnitDetail:
    """A unit with its dated positions. An unknown serial answers 404 with the nearest known ones."""
    return await units.read_unit(db, caller, serial)


@get("/units/{serial:str}/images", responses=problems(400, 401, 403, 404))
async def unit_history(
    request: AnyRequest,
    serial: Serial,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    location: FromQuery[str | None] = None,
    element: Annotated[int | None, QueryParameter(ge=1, le=100000)] = None,
    condition: Annotated[str | None, QueryParameter(description="list:code")] = None,
    evaluation: FromQuery[str | None] = None,
    since: Annotated[datetime | None, QueryParameter(name="from", description="taken then or later")] = None,
    until: Annotated[datetime | None, QueryParameter(name="to", description="taken before")] = None,
    campaign: FromQuery[UUID | None] = None,
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[Page[HistoryItem]]:
    """Every image of a unit, the newest first."""
    after = decode_cursor(cursor, tuple[datetime, UUID])
    wanted = Wanted(
        location=location,
        element=element,
        condition=condition,
        evaluation=evaluation,
        since=since,
        until=until,
        campaign_id=campaign,
    )
    items = await history.unit_history(db, caller, serial, wanted, after, limit)
    return paged(request, items, limit, lambda item: (item.taken_at, item.id))


@post("/images/held", status_code=200, responses=problems(400, 401, 403))
async def images_held(
    data: JSONBody[ImagesAsked], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> ImagesHeld:
    """Which of up to 1000 digests are held: for an agent that lost its own records."""
    return ImagesHeld(held=await images.held_among(db, caller, data.digests))


@get("/images/{digest:str}", responses=problems(400, 401, 403, 404, 409))
async def read_image(
    request: AnyRequest,
    digest: ImageDigest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[ImageDetail]:
    """An image with a page of its sightings, their four clocks, and every placement fact of those."""
    after = decode_cursor(cursor, tuple[UUID, int])
    detail, following = await images.read_image(db, caller, digest, after, limit)
    return Response(detail, headers=link_next(request, following))


@get("/images/{digest:str}/download", responses=problems(400, 401, 403, 404, 409))
async def download(
    digest: ImageDigest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    objects: NamedDependency[Objects],
    access_log: NamedDependency[AccessLog],
) -> Download:
    """A short-lived address of the original bytes, with their digest and size to check them by."""
    return await images.download(db, objects, access_log, caller, digest)


@get("/images/{digest:str}/content", status_code=303, responses=problems(400, 401, 403, 404, 409))
async def content(
    digest: ImageDigest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    objects: NamedDependency[Objects],
    access_log: NamedDependency[AccessLog],
) -> Redirect:
    """Leads a browser to the original bytes."""
    found = await images.download(db, objects, access_log, caller, digest, opened=True)
    return Redirect(found.url, status_code=303)


@get("/images/{digest:str}/thumbnail", status_code=303, responses=problems(400, 401, 403, 404, 409))
async def thumbnail(
    digest: ImageDigest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    objects: NamedDependency[Objects],
) -> Redirect:
    """Leads a browser to a small JPEG of the image."""
    return Redirect(await images.thumbnail(db, objects, caller, digest), status_code=303)


@get("/units/{serial:str}/moves", responses=problems(400, 401, 403, 404))
async def list_moves(
    request: AnyRequest,
    serial: Serial,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[Page[Move]]:
    """Moves of pictures from or to a unit, the newest first."""
    items = await moves.moves_of_unit(db, caller, serial, decode_cursor(cursor, UUID), limit)
    return paged(request, items, limit, lambda item: item.id)


router = Router(
    path="/api/v1",
    route_handlers=[
        create_unit,
        move_unit,
        list_units,
        read_unit,
        unit_history,
        list_moves,
        images_held,
        read_image,
        download,
        content,
        thumbnail,
    ],
    tags=["records"],
)

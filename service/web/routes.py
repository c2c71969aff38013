"""Pages: completion of the fleet, units of a campaign, one unit with its history, one image."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from uuid import UUID

from litestar import Response, Router, get
from litestar.di import NamedDependency
from litestar.params import FromPath
from litestar.response import Redirect

from service.access.actions.keeping import AccessLog
from service.access.rules import Act, Caller
from service.campaigns.actions.reading import read_completion
from service.contract.records import HistoryItem, ImageDetail, ImageSighting
from service.contract.showing import plain
from service.contract.wire import new_id
from service.custody.actions.overview import read_custody
from service.database import Database, server_now
from service.errors import NotFound
from service.http import AnyRequest, conditional, decode_cursor, encode_cursor
from service.intake.rules.manifests import UNREADABLE
from service.objects import Objects
from service.records.actions import images
from service.records.actions import units as units_actions
from service.settings import Settings
from service.web import access_log as access_log_page
from service.web import actions, refused, rules, settling, sign_in, single_sign_on
from service.web.asked import chosen, id_field, text_field
from service.web.rendering import page
from service.writable import Writable

STATE_CHOICES = [
    ("open", "the inspection open"),
    ("complete", "the inspection complete"),
    ("blocked", "the inspection complete, and blocked"),
    ("conflict", "a location in conflict"),
    ("not_inspected", "a location not inspected"),
    ("reopened", "a location reopened"),
    ("no_statement", "a location without statement"),
]
# The formats that browsers can show; any other original is downloaded.
SHOWN_FORMATS = frozenset({"JPEG", "PNG", "BMP"})
UTC = rules.zone_of(None)


@get("/", name="page_completion")
async def completion(
    request: AnyRequest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    settings: NamedDependency[Settings],
) -> Response[str]:
    campaign_id, site = id_field(request.query_params, "campaign"), text_field(request.query_params, "site")
    counted = await read_completion(db, caller, campaign_id=campaign_id, site=site, equipment_type=None)
    sites = await actions.sites_named(db, caller.sites)
    return page(
        settings,
        "completion.html",
        caller=caller,
        groups=rules.by_site(counted.rows),
        total=counted.total,
        campaigns=await actions.campaign_choices(db, caller),
        campaign=campaign_id or "",
        site=site or "",
        site_choices=sites.choices(),
        site_names=sites.names,
        rows=counted.rows,
        uncounted=await actions.uncounted_in(db, counted.rows),
        as_of=server_now(),
        utc_zone=UTC,
    )


@get("/campaigns/{campaign_id:uuid}", name="page_campaign")
async def campaign(
    request: AnyRequest,
    campaign_id: FromPath[UUID],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    settings: NamedDependency[Settings],
) -> Response[str]:
    query = request.query_params
    site, state, after = text_field(query, "site"), text_field(query, "state"), text_field(query, "after")
    found = await actions.campaign_units(db, caller, campaign_id, site=site, state=state, after=after)
    return page(
        settings,
        "campaign.html",
        caller=caller,
        campaign=found.campaign,
        rows=found.rows,
        following=found.following,
        returned=found.returned,
        zones={row.site: found.sites.zone(row.site) for row in found.rows},
        site=site or "",
        state=state or "",
        after=after or "",
        site_choices=found.sites.choices(),
        state_choices=STATE_CHOICES,
        utc_zone=UTC,
    )


@get("/units", name="page_units")
async def units(
    request: AnyRequest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    settings: NamedDependency[Settings],
) -> Response[str]:
    find, after = text_field(request.query_params, "find"), text_field(request.query_params, "after")
    rows, following = await actions.units_found(db, caller, find, after)
    sites = await actions.sites_named(db, {row.site for row in rows})
    return page(
        settings,
        "units.html",
        caller=caller,
        rows=rows,
        following=following,
        find=find or "",
        after=after or "",
        site_names=sites.names,
    )


@get("/units/{serial:str}", name="page_unit")
async def unit(
    request: AnyRequest,
    serial: FromPath[str],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    settings: NamedDependency[Settings],
) -> Response[str]:
    filters = chosen(request.query_params)
    cursor = text_field(request.query_params, "cursor")
    found = await units_actions.read_unit(db, caller, serial)
    sites = await actions.sites_named(db, None)
    zone = sites.zone(found.site)
    inspected = await actions.inspections_of(db, caller, found)
    names = actions.names_in(inspected)
    after = decode_cursor(cursor, tuple[datetime, UUID])
    items, older = await actions.images_of(db, caller, serial, filters.wanted(zone), after)
    return page(
        settings,
        "unit.html",
        caller=caller,
        unit=found,
        inspected=inspected,
        site_names=sites.names,
        zone=zone,
        names=names,
        location_choices=sorted(names.locations.items(), key=lambda choice: choice[1]),
        condition_choices=[(term, rules.term_words(term)) for term in names.conditions],
        evaluation_choices=list(names.evaluations.items()),
        chosen=filters,
        shown=filters.shown(),
        filtered=bool(filters.shown()),
        moves=await actions.moves_of(db, caller, serial),
        may_move=caller.may(Act.MOVE_PICTURE),
        new_id=new_id,
        left_open=await actions.left_open(db, inspected),
        items=items,
        older=encode_cursor(older),
        older_than=cursor,
        thumbnail_of=thumbnail_address,
        alt_of=lambda item: alternative(item, names),
    )


def thumbnail_address(item: HistoryItem) -> str:
    """Where a page finds the small picture of an image, or words that say why there is none."""
    return f"/images/{item.digest}/thumbnail" if item.thumbnail else placeholder(item.kind, item.marks)


def placeholder(kind: str, marks: list[str]) -> str:
    if UNREADABLE & set(marks):
        return "/static/not_an_image.svg"
    return "/static/video.svg" if kind == "video" else "/static/no_preview.svg"


def alternative(item: HistoryItem, names: actions.Names) -> str:
    """The content of a picture in words, for those who do not see it."""
    where = names.locations.get(item.location or "", item.location or "a location not known")
    if not item.thumbnail:
        return f"no preview of the file from {where}"
    seen = rules.term_words(item.condition) if item.condition else "no condition recorded"
    return f"Picture of {where}; {seen}"


@get("/units/{serial:str}/images/{digest:str}", name="page_image")
async def image(
    request: AnyRequest,
    serial: FromPath[str],
    digest: FromPath[str],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    settings: NamedDependency[Settings],
) -> Response[str]:
    cursor = text_field(request.query_params, "cursor")
    after = decode_cursor(cursor, tuple[UUID, int])
    found = await actions.image_of_unit(db, caller, serial, digest, after)
    detail = found.image
    sites = await actions.sites_named(db, None)
    return page(
        settings,
        "image.html",
        caller=caller,
        unit=found.unit,
        image=detail,
        later=cursor,
        further=encode_cursor(found.following),
        names=actions.names_in(await actions.inspections_of(db, caller, found.unit)),
        site_names=sites.names,
        zone=sites.zone(found.unit.site),
        zones={seen.site: sites.zone(seen.site) for seen in detail.sightings},
        shown_as=shown_address(detail),
        alt=f"The image {digest[:12]}" if shown_address(detail).startswith("/images/") else "no preview",
        exact_name=exact_name,
    )


def shown_address(detail: ImageDetail) -> str:
    if (detail.format or "").upper() in SHOWN_FORMATS and not UNREADABLE & set(detail.marks):
        return f"/images/{detail.digest}/original"
    if detail.thumbnail:
        return f"/images/{detail.digest}/thumbnail"
    return instead_of(detail)


def instead_of(detail: ImageDetail) -> str:
    """The placeholder for bytes without a picture, chosen by the first file that holds them."""
    first = detail.sightings[0] if detail.sightings else None
    return placeholder(first.kind if first else "other", first.marks if first else [])


def exact_name(seen: ImageSighting) -> str | None:
    """The name's bytes in hexadecimal where the text shown does not give them back."""
    same = seen.path.encode("utf-8", "surrogatepass") == seen.path_bytes
    return None if same and plain(seen.path) == seen.path else seen.path_bytes.hex(" ")


@get("/custody", name="page_custody")
async def custody(
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    settings: NamedDependency[Settings],
    writable: NamedDependency[Writable],
) -> Response[str]:
    custody = await read_custody(db, caller, settings.audit_days, writable)
    return page(
        settings,
        "custody.html",
        caller=caller,
        custody=custody,
        runs={run.kind: run for run in custody.runs},
        sweep_days=settings.sweep_days,
        sweep_deletes=settings.sweep_deletes == "yes",
        zone=UTC,
    )


@get("/images/{digest:str}/thumbnail", name="page_thumbnail")
async def thumbnail(
    digest: FromPath[str],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    objects: NamedDependency[Objects],
) -> Redirect:
    try:
        return Redirect(await images.thumbnail(db, objects, caller, digest), status_code=303)
    except NotFound:
        detail, _ = await images.read_image(db, caller, digest, limit=1)
        return Redirect(instead_of(detail), status_code=303)


@get("/images/{digest:str}/original", name="page_original")
async def original(
    digest: FromPath[str],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    objects: NamedDependency[Objects],
    access_log: NamedDependency[AccessLog],
) -> Redirect:
    found = await images.download(db, objects, access_log, caller, digest, opened=True)
    return Redirect(found.url, status_code=303)


MEDIA_TYPES = {".css": "text/css; charset=utf-8", ".svg": "image/svg+xml"}
# All static files, read once: a name in a request is looked up here and never used as a path.
STATIC_FILES = {path.name: path.read_bytes() for path in (Path(__file__).parent / "static").iterdir()}


@get("/static/{name:str}", opt={"exclude_from_auth": True})
async def static_file(request: AnyRequest, name: FromPath[str]) -> Response[bytes | None]:
    content = STATIC_FILES.get(name)
    if content is None:
        raise NotFound("There is no such file here.")
    answer: Response[bytes | None] = conditional(request, content)
    answer.media_type = MEDIA_TYPES[Path(name).suffix]
    answer.headers["Cache-Control"] = "public, max-age=3600"
    return answer


router = Router(
    path="/",
    route_handlers=[
        completion,
        campaign,
        units,
        unit,
        image,
        custody,
        thumbnail,
        original,
        *settling.route_handlers,
        *refused.route_handlers,
        *access_log_page.route_handlers,
        *sign_in.route_handlers,
        *single_sign_on.route_handlers,
        static_file,
    ],
    include_in_schema=False,
)

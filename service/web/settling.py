"""Pages where a person settles what a card return left open, and undoes a move of pictures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, urlencode
from uuid import UUID

from litestar import Response, get, post
from litestar.di import NamedDependency
from litestar.params import FromPath
from litestar.response import Redirect

from service.access.rules import Act, Caller
from service.campaigns.actions.reading import read_inspection
from service.contract.cards import RecordedReturn
from service.contract.records import MoveIn
from service.contract.wire import new_id
from service.database import Database, Row
from service.http import AnyRequest, decode_cursor, encode_cursor
from service.intake.actions.moves import move_pictures
from service.intake.actions.returns import list_returns, read_return
from service.records.actions.history import places_counting
from service.settings import Settings
from service.walls import read_across_sites
from service.web import actions, refused, store
from service.web.asked import filled_in, id_field, number_field, sent_form, text_field, unreadable_form
from service.web.rendering import page

RETURNS_PER_PAGE = 50
# The page shows at most the first number of pictures; a move takes at most the second (MoveIn).
PICTURES_SHOWN, PICTURES_MOVED = 200, 1000
INSPECTIONS_OFFERED = 2000
NO_RULE = "no rule of the card's profile named a location"
NO_UNIT = "the card was read without a unit"


@dataclass(frozen=True, slots=True)
class Question:
    """A reason why pictures stand at no location, and those pictures: `picks` goes with the form, so that
    the form alone says what is moved, however often it is sent (I8)."""

    why: str
    number: int
    picks: str


def _questions(pictures: Sequence[OpenPicture]) -> list[Question]:
    by_why: dict[str, list[str]] = {}
    for picture in pictures:
        by_why.setdefault(picture.why, []).append(picture.pick)
    return [Question(why, len(picks), " ".join(picks)) for why, picks in by_why.items()]


@dataclass(frozen=True, slots=True)
class OpenPicture:
    """One picture at no location. `pick` names it in the form."""

    pick: str
    path: str
    digest: str
    marks: list[str]
    no_thumbnail: str | None
    why: str


def _open_picture(row: Row) -> OpenPicture:
    at = row["picture_id"]
    pick = f"s{row['sighting_id']}" if at is None else f"p{at}"
    return OpenPicture(pick, row["path"], row["digest"], row["marks"], row["no_thumbnail"], why_open(row))


def why_open(row: Row) -> str:
    """Why a picture stands at no location, from the fact that stands for it."""
    if row["inspection_id"] is None:
        return NO_UNIT
    if row["claimed_key"]:
        return f"claimed for {row['claimed_key']}, a location that the inspection did not have"
    return row["note"] if row["rule"] == "slate" and row["note"] else NO_RULE


async def _pictures(db: Database, return_id: UUID) -> list[OpenPicture]:
    """Each picture at no location once, however often the card holds it."""
    async with db.begin() as connection:
        # They may stand at inspections of other sites by now.
        await read_across_sites(connection)
        rows = await store.pictures_open(connection, return_id, PICTURES_MOVED)
    return list({picture.pick: picture for picture in map(_open_picture, rows)}.values())


@get("/card-returns", name="page_card_returns")
async def card_returns(
    request: AnyRequest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    settings: NamedDependency[Settings],
) -> Response[str]:
    before = decode_cursor(text_field(request.query_params, "cursor"), UUID)
    rows = await list_returns(db, caller, None, before, RETURNS_PER_PAGE)
    sites = await actions.sites_named(db, {row.site for row in rows})
    return page(
        settings,
        "card_returns.html",
        caller=caller,
        rows=rows,
        sites=sites,
        zones={row.site: sites.zone(row.site) for row in rows},
        older=encode_cursor(rows[-1].id) if len(rows) == RETURNS_PER_PAGE else None,
        newest=before is None,
    )


@get("/card-returns/{return_id:uuid}/open", name="page_settle")
async def settle(
    request: AnyRequest,
    return_id: FromPath[UUID],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    settings: NamedDependency[Settings],
) -> Response[str]:
    query = request.query_params
    back = await read_return(db, caller, return_id)
    pictures = await _pictures(db, return_id)
    may_move = caller.may(Act.MOVE_PICTURE)
    offered = await _offered(db, back) if may_move else []
    inspection_id = id_field(query, "inspection") or back.inspection_id
    target = None
    if may_move and inspection_id is not None:
        target = await read_inspection(db, caller, inspection_id)
    sites = await actions.sites_named(db, {back.site})
    shown = pictures[:PICTURES_SHOWN]
    return page(
        settings,
        "settle.html",
        caller=caller,
        back=back,
        site_name=sites.names.get(back.site, back.site),
        zone=sites.zone(back.site),
        pictures=shown,
        total=len(pictures),
        questions=_questions(pictures),
        counting=await places_counting(db, caller, [picture.digest for picture in shown]),
        may_move=may_move,
        offered=offered,
        target=target,
        move_id=new_id(),
        moved=number_field(query, "moved", PICTURES_MOVED),
        most=PICTURES_MOVED,
        dealt=number_field(query, "dealt", 1),
        **refused.shown(back, caller),
    )


async def _offered(db: Database, back: RecordedReturn) -> list[tuple[UUID, str]]:
    async with db.begin() as connection:
        rows = await store.open_inspections(connection, back.site, INSPECTIONS_OFFERED)
    return [(row["id"], f"{row['unit']}: {row['campaign']}") for row in rows]


@post("/card-returns/{return_id:uuid}/open", name="page_settled", status_code=200)
async def settled(
    request: AnyRequest,
    return_id: FromPath[UUID],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> Redirect:
    """Move the ticked pictures, or all of one question, to a location of an inspection's plan."""
    pairs = await sent_form(request, PICTURES_SHOWN + 20)
    fields = dict(pairs)
    picks = [value for name, value in pairs if name == "pick"]
    if question := number_field(fields, "question", PICTURES_MOVED):
        picks = fields.get(f"question-{question}", "").split()
    await read_return(db, caller, return_id)
    target = {
        "inspectionId": fields.get("inspection"),
        "location": fields.get("location") or None,
        "element": number_field(fields, "element", 100_000),
    }
    moved = await move_pictures(db, caller, _move(fields, to=target, **_picked(picks)))
    shown = {"inspection": fields.get("inspection", ""), "moved": str(len(moved.pictures))}
    return Redirect(f"/card-returns/{return_id}/open?{urlencode(shown)}", status_code=303)


def _picked(picks: Sequence[str]) -> dict[str, list[str]]:
    by_kind: dict[str, list[str]] = {"p": [], "s": []}
    for pick in dict.fromkeys(picks):
        if pick[:1] not in by_kind:
            raise unreadable_form()
        by_kind[pick[:1]].append(pick[1:])
    return {"pictures": by_kind["p"], "sightings": by_kind["s"]}


@post("/units/{serial:str}/moves/{move_id:uuid}/undo", name="page_undo_move", status_code=200)
async def undo(
    request: AnyRequest,
    serial: FromPath[str],
    move_id: FromPath[UUID],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> Redirect:
    """Bring the pictures of a move back to where they stood."""
    fields = dict(await sent_form(request, PICTURES_SHOWN + 20))
    await move_pictures(db, caller, _move(fields, undoes=str(move_id)))
    return Redirect(f"/units/{quote(serial, safe='')}#moves", status_code=303)


def _move(fields: Mapping[str, str], **what: Any) -> MoveIn:
    return filled_in(
        MoveIn,
        {"id": fields.get("move"), "reason": fields.get("reason", "").strip(), **what},
        consequence="Nothing was moved.",
        next_step="Go back, pick a location and pictures, and give a reason of three characters or more.",
    )


route_handlers = [card_returns, settle, settled, undo]

"""Cards, card returns and moves of pictures over HTTP."""

from __future__ import annotations

from typing import Annotated, Any
from uuid import UUID

import msgspec
from litestar import Response, Router, get, post, put
from litestar.di import NamedDependency
from litestar.openapi import ResponseSpec
from litestar.params import FromPath, FromQuery, JSONBody, PathParameter

from service.access.rules import Caller
from service.bodies import LONG_BODY, LONGEST_BODY, TAKES_PACKED
from service.contract.campaigns import BindingIn, BindingMade
from service.contract.cards import (
    CardPrepared,
    CardReturnCommit,
    CardReturnOpen,
    FilesAhead,
    LargeAnswer,
    LargeParts,
    ManifestPart,
    PartAnswer,
    Receipt,
    RecordedCard,
    RecordedReturn,
    RefusalSettledIn,
)
from service.contract.comparing import ReturnsAsked, ReturnsKnown
from service.contract.records import Move, MoveIn, ReturnFile
from service.contract.wire import Page
from service.database import Database
from service.http import (
    AnyRequest,
    Cursor,
    ImageDigest,
    PageSize,
    decode_cursor,
    etag_of,
    paged,
    patience,
)
from service.intake.actions import ahead, binding, cards, large, moves, parts, returns
from service.intake.actions.commit import commit_return
from service.intake.actions.committing import Commits
from service.intake.actions.refused import settle_refused
from service.objects import Objects
from service.observe import bind_card_return
from service.packing import packed
from service.problems import problems
from service.settings import Settings
from service.signing import Signer

PartNumber = Annotated[int, PathParameter(ge=0, le=100_000)]


@put("/cards/{card_id:uuid}", status_code=200, responses=problems(400, 401, 403, 404, 409, 422))
async def prepare_card(
    card_id: FromPath[UUID],
    data: JSONBody[CardPrepared],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> RecordedCard:
    """Record that a card was prepared for an inspection."""
    return await cards.prepare_card(db, caller, card_id, data)


@get("/cards/{card_id:uuid}", responses=problems(400, 401, 403, 404))
async def read_card(
    card_id: FromPath[UUID], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> RecordedCard:
    """What a card was prepared for."""
    return await cards.read_card(db, caller, card_id)


@put("/card-returns/{return_id:uuid}", status_code=200, responses=problems(400, 401, 403, 404, 409, 422))
async def open_return(
    return_id: FromPath[UUID],
    data: JSONBody[CardReturnOpen],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> RecordedReturn:
    """Step 1: a card came back. The same opening again answers what is recorded."""
    return await returns.open_return(db, caller, return_id, data)


@put(
    "/card-returns/{return_id:uuid}/parts/{part:int}",
    status_code=200,
    request_max_body_size=LONGEST_BODY,
    responses=problems(400, 401, 403, 404, 409, 413, 422, 503),
)
async def put_part(
    request: AnyRequest,
    return_id: FromPath[UUID],
    part: PartNumber,
    data: JSONBody[ManifestPart],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    objects: NamedDependency[Objects],
    settings: NamedDependency[Settings],
) -> PartAnswer:
    """Step 2: a part of the manifest; answers upload tickets for the images that are not held yet.

    The first may bring the opening, which saves step 1.
    """
    body = await request.body()
    return await parts.put_part(db, objects, settings, caller, return_id, part, data, body)


@put(
    "/card-returns/{return_id:uuid}/large/{digest:str}",
    status_code=200,
    responses=problems(400, 401, 403, 404, 409, 413, 422, 503),
)
async def put_large(
    return_id: FromPath[UUID],
    digest: ImageDigest,
    data: JSONBody[LargeParts],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    objects: NamedDependency[Objects],
    settings: NamedDependency[Settings],
) -> LargeAnswer:
    """Step 3 for a large file: answers tickets for parts that lack; asked again until it is verified."""
    return await large.put_large(db, objects, settings, caller, return_id, digest, data)


@put(
    "/card-returns/{return_id:uuid}/ahead",
    status_code=200,
    responses=problems(400, 401, 403, 404, 409, 413, 422, 503),
)
async def put_ahead(
    return_id: FromPath[UUID],
    data: JSONBody[FilesAhead],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    objects: NamedDependency[Objects],
    settings: NamedDependency[Settings],
) -> PartAnswer:
    """Before step 2, for a card that is still being read: tickets for bytes whose manifest comes later."""
    return await ahead.put_ahead(db, objects, settings, caller, return_id, data)


@post(
    "/card-returns/{return_id:uuid}/parts/{part:int}/check",
    status_code=200,
    responses=problems(400, 401, 403, 404, 422, 503),
)
async def check_part(
    return_id: FromPath[UUID],
    part: PartNumber,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    objects: NamedDependency[Objects],
    settings: NamedDependency[Settings],
) -> PartAnswer:
    """Step 4: the store is looked at for every file of the part; answers tickets for what it lacks."""
    return await parts.check_part(db, objects, settings, caller, return_id, part)


@post(
    "/card-returns/{return_id:uuid}/commit",
    status_code=200,
    request_max_body_size=LONGEST_BODY,
    responses={
        **problems(400, 401, 403, 404, 409, 413, 422, 503),
        202: ResponseSpec(
            data_container=None, description="The commit goes on; send it again to hear its end"
        ),
    },
)
async def commit(
    request: AnyRequest,
    return_id: FromPath[UUID],
    data: JSONBody[CardReturnCommit],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    objects: NamedDependency[Objects],
    signer: NamedDependency[Signer],
    commits: NamedDependency[Commits],
) -> Response[Receipt]:
    """Step 5: every object is verified in the store, then everything is written and the receipt signed.

    A card of 50,000 files takes a minute: with `Prefer: respond-async, wait=SECONDS` (RFC 7240) there is an
    answer in time, 202 while the commit goes on; the same commit again is told how it ended.
    """
    receipt = await commits.receipt(
        (caller.agent_id, caller.account_id, return_id, etag_of(data)),
        lambda: commit_return(db, objects, signer, caller, return_id, data),
        patience(request),
    )
    if receipt is None:
        under_way: Response[Any] = Response(
            b"", status_code=202, headers={"Preference-Applied": "respond-async"}
        )
        return under_way
    return Response(_receipt(receipt))


@post("/card-returns/known", status_code=200, responses=problems(400, 401, 403))
async def known_returns(
    data: JSONBody[ReturnsAsked], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> ReturnsKnown:
    """Which of up to 1,000 card returns are committed with these manifests: asked by an agent that holds
    their receipts, because a service restored from an older backup has forgotten some."""
    return await returns.known_returns(db, caller, data.returns)


@get("/card-returns", responses=problems(400, 401, 403))
async def list_returns(
    request: AnyRequest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    site: FromQuery[str | None] = None,
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[Page[RecordedReturn]]:
    """Card returns, the newest first."""
    items = await returns.list_returns(db, caller, site, decode_cursor(cursor, UUID), limit)
    return paged(request, items, limit, lambda item: item.id)


@get("/card-returns/{return_id:uuid}", responses=problems(400, 401, 403, 404))
async def read_return(
    return_id: FromPath[UUID], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> RecordedReturn:
    """How far a card return is, and what a person should know of it."""
    return await returns.read_return(db, caller, return_id)


@post(
    "/card-returns/{return_id:uuid}/refused/{refused_id:uuid}",
    status_code=200,
    responses=problems(400, 401, 403, 404, 409, 422),
)
async def settle(
    return_id: FromPath[UUID],
    refused_id: FromPath[UUID],
    data: JSONBody[RefusalSettledIn],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> RecordedReturn:
    """Deal with a statement that came with the card and was refused: state it anew, or dismiss it."""
    return await settle_refused(db, caller, return_id, refused_id, data)


@get("/card-returns/{return_id:uuid}/files", responses=problems(400, 401, 403, 404))
async def list_files(
    request: AnyRequest,
    return_id: FromPath[UUID],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    not_placed: FromQuery[bool] = False,
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[Page[ReturnFile]]:
    """Files of a committed card return in manifest order."""
    after = decode_cursor(cursor, int)
    items = await returns.list_files(db, caller, return_id, -1 if after is None else after, limit, not_placed)
    return paged(request, items, limit, lambda item: item.ordinal)


@get("/card-returns/{return_id:uuid}/receipt", responses=problems(400, 401, 403, 404, 503))
async def read_receipt(
    return_id: FromPath[UUID], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> Receipt:
    """The signed receipt of a committed card return."""
    return _receipt(await returns.read_receipt(db, caller, return_id))


def _receipt(body: bytes) -> Receipt:
    """Decoded for the framework, which encodes the same three members to the same bytes again."""
    return msgspec.json.decode(body, type=Receipt)


@post("/images/moves", status_code=200, responses=problems(400, 401, 403, 404, 409, 422))
async def move_pictures(
    data: JSONBody[MoveIn], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> Move:
    """Show pictures at another place, with a reason that stands in both histories."""
    return await moves.move_pictures(db, caller, data)


@post(
    "/inspections/{inspection_id:uuid}/bindings",
    status_code=200,
    responses=problems(400, 401, 403, 404, 409),
    tags=["campaigns"],
)
async def rebind(
    inspection_id: FromPath[UUID],
    data: JSONBody[BindingIn],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> BindingMade:
    """Bind an inspection to the revision effective at its site now, with a reason; statements stay, and
    pictures that were claimed for a location that comes are shown there."""
    return await binding.rebind(db, caller, inspection_id, data)


async def name_in_log(request: AnyRequest) -> None:
    """A card return can be followed through the log from its opening to its receipt."""
    if return_id := request.path_params.get("return_id"):
        bind_card_return(return_id)


router = Router(
    path="/api/v1",
    before_request=name_in_log,
    middleware=[packed],
    opt=TAKES_PACKED,
    request_max_body_size=LONG_BODY,
    route_handlers=[
        prepare_card,
        read_card,
        open_return,
        put_part,
        put_ahead,
        put_large,
        check_part,
        commit,
        known_returns,
        list_returns,
        read_return,
        settle,
        list_files,
        read_receipt,
        move_pictures,
        rebind,
    ],
    tags=["intake"],
)

"""The plan library over HTTP."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any
from uuid import UUID

from litestar import Response, Router, get, post, put
from litestar.di import NamedDependency
from litestar.openapi.datastructures import ResponseSpec
from litestar.openapi.spec import (
    OpenAPIMediaType,
    OpenAPIResponse,
    OpenAPIType,
    Operation,
    RequestBody,
    Schema,
)
from litestar.params import FromPath, FromQuery, JSONBody, PathParameter, QueryParameter

from service.access.rules import Act, Caller
from service.bodies import LONG_BODY
from service.contract.plan_document import PlanDocument
from service.contract.plans import (
    ApplicableLocation,
    Build,
    BuildIn,
    Difference,
    EquipmentType,
    Plan,
    PlanCheck,
    PlanIn,
    Revision,
    RevisionDetail,
    RevisionEventIn,
    TermList,
    TypeIn,
    Vocabulary,
)
from service.contract.wire import CODE_PATTERN, Page
from service.database import Database
from service.errors import NotFound
from service.http import (
    AnyRequest,
    Cursor,
    PageSize,
    conditional,
    decode_cursor,
    paged,
    precondition,
)
from service.plans import vocabulary
from service.plans.actions import catalogue, revisions, transitions
from service.plans.actions.checking import Checks, may_check
from service.plans.difference import difference_text
from service.plans.document import canonical, digest
from service.plans.plan_schema import schema_text
from service.problems import problems

NewCode = Annotated[str, PathParameter(min_length=1, max_length=64, pattern=CODE_PATTERN)]
KnownCode = Annotated[str, PathParameter(max_length=64, description="a code of the library")]
AtSite = Annotated[
    str | None, QueryParameter(max_length=64, description="state at this site; default: anywhere")
]


@dataclass
class TakesDocument(Operation):
    """The body is a plan document; it is read as text, so that a fault can be told with its line."""

    def __post_init__(self) -> None:
        words = "A standard plan document; GET /api/v1/plan-schema describes it."
        in_json = Schema(type=OpenAPIType.OBJECT, description=words)
        in_yaml = Schema(type=OpenAPIType.STRING, description=words)
        media = {
            "application/json": OpenAPIMediaType(schema=in_json),
            "application/yaml": OpenAPIMediaType(schema=in_yaml),
        }
        self.request_body = RequestBody(content=media, required=True, description=words)


@dataclass
class AnswersTextToo(Operation):
    """The same answer also as plain text."""

    def __post_init__(self) -> None:
        answer = (self.responses or {})["200"]
        assert isinstance(answer, OpenAPIResponse)
        assert answer.content is not None
        answer.content["text/plain"] = OpenAPIMediaType(schema=Schema(type=OpenAPIType.STRING))


@get("/types", responses=problems(400, 401, 403))
async def list_types(
    request: AnyRequest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[Page[EquipmentType]]:
    """Equipment types with their builds, by ascending code."""
    items = await catalogue.list_types(db, caller, decode_cursor(cursor, str), limit)
    return paged(request, items, limit, lambda item: item.code)


@get("/types/{code:str}", responses=problems(400, 401, 403, 404))
async def read_type(
    code: KnownCode, db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> EquipmentType:
    """An equipment type with its builds."""
    return await catalogue.read_type(db, caller, code)


@put("/types/{code:str}", status_code=200, responses=problems(400, 401, 403, 409))
async def put_type(
    code: NewCode, data: JSONBody[TypeIn], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> EquipmentType:
    """Record an equipment type. The same request again answers the same type."""
    return await catalogue.put_type(db, caller, code, data)


@put("/types/{code:str}/builds/{build:str}", status_code=200, responses=problems(400, 401, 403, 404, 409))
async def put_build(
    code: KnownCode,
    build: NewCode,
    data: JSONBody[BuildIn],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> Build:
    """Record a build of a type. The same request again answers the same build."""
    return await catalogue.put_build(db, caller, code, build, data)


@get("/plans", responses=problems(400, 401, 403))
async def list_plans(
    request: AnyRequest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[Page[Plan]]:
    """Plans by ascending code."""
    items = await catalogue.list_plans(db, caller, decode_cursor(cursor, str), limit)
    return paged(request, items, limit, lambda item: item.code)


@get("/plans/{code:str}", responses=problems(400, 401, 403, 404))
async def read_plan(code: KnownCode, db: NamedDependency[Database], caller: NamedDependency[Caller]) -> Plan:
    """A plan; its content stands in its revisions."""
    return await catalogue.read_plan(db, caller, code)


@put("/plans/{code:str}", status_code=200, responses=problems(400, 401, 403, 409, 422))
async def put_plan(
    code: NewCode, data: JSONBody[PlanIn], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> Plan:
    """Record a plan, without a revision yet. The same request again answers the same plan."""
    return await catalogue.put_plan(db, caller, code, data)


@get("/plans/{code:str}/revisions", responses=problems(400, 401, 403, 404))
async def list_revisions(
    request: AnyRequest,
    code: KnownCode,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    site: AtSite = None,
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[Page[Revision]]:
    """Revisions of a plan, the newest first, each with its state now."""
    after = decode_cursor(cursor, tuple[datetime, UUID])
    items = await revisions.list_revisions(db, caller, code, site, after, limit)
    return paged(request, items, limit, lambda item: (item.created_at, item.id))


@put(
    "/plan-revisions/{revision_id:uuid}",
    status_code=200,
    operation_class=TakesDocument,
    request_max_body_size=LONG_BODY,
    responses=problems(400, 401, 403, 409, 422, 429, 503),
)
async def create_draft(
    request: AnyRequest,
    revision_id: FromPath[UUID],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    checks: NamedDependency[Checks],
) -> RevisionDetail:
    """Record a draft of the plan the document names. 422 lists every fault with its line."""
    caller.must(Act.WRITE_PLAN)
    checked = await checks.check(caller, await request.body())
    return await revisions.create_draft(db, caller, revision_id, checked)


@get("/plan-revisions/{revision_id:uuid}", responses=problems(400, 401, 403, 404))
async def read_revision(
    request: AnyRequest,
    revision_id: FromPath[UUID],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    site: AtSite = None,
) -> Response[RevisionDetail | None]:
    """A revision with its state now and every event of its life."""
    return conditional(request, await revisions.read_revision(db, caller, revision_id, site))


@get(
    "/plan-revisions/{revision_id:uuid}/document",
    responses={
        200: ResponseSpec(
            PlanDocument, description="ETag is the SHA-256 of these bytes", generate_examples=False
        ),
        **problems(400, 401, 403, 404),
    },
)
async def read_document(
    request: AnyRequest,
    revision_id: FromPath[UUID],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> Response[bytes | None]:
    """The canonical document; the ETag is its SHA-256. Members at their default are left out."""
    document = await revisions.read_document(db, caller, revision_id)
    answer = conditional(request, canonical(document), revisions.document_tag(digest(document)))
    answer.media_type = "application/json"
    return answer


@put(
    "/plan-revisions/{revision_id:uuid}/document",
    status_code=200,
    operation_class=TakesDocument,
    request_max_body_size=LONG_BODY,
    responses=problems(400, 401, 403, 404, 409, 412, 422, 428, 429, 503),
)
async def edit_draft(
    request: AnyRequest,
    revision_id: FromPath[UUID],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    checks: NamedDependency[Checks],
) -> RevisionDetail:
    """Put another document in a draft of one's own; If-Match is the ETag of the document as it was read."""
    match = precondition(request)
    caller.must(Act.WRITE_PLAN)
    checked = await checks.check(caller, await request.body())
    return await revisions.edit_draft(db, caller, revision_id, checked, match)


@post(
    "/plan-revisions/{revision_id:uuid}/events",
    status_code=200,
    responses=problems(400, 401, 403, 404, 409, 422),
)
async def record_event(
    revision_id: FromPath[UUID],
    data: JSONBody[RevisionEventIn],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> RevisionDetail:
    """Submit, return, approve, publish, suspend, resume or withdraw; answers how the revision stands."""
    return await transitions.record_event(db, caller, revision_id, data)


@get("/plan-revisions/{revision_id:uuid}/locations", responses=problems(400, 401, 403, 404, 422))
async def read_applicability(
    revision_id: FromPath[UUID],
    build: FromQuery[str],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> list[ApplicableLocation]:
    """Every location in job order, and whether the build has it."""
    return await revisions.read_applicability(db, caller, revision_id, build)


@get(
    "/plan-revisions/{revision_id:uuid}/difference",
    operation_class=AnswersTextToo,
    responses=problems(400, 401, 403, 404, 422),
)
async def read_difference(
    request: AnyRequest,
    revision_id: FromPath[UUID],
    before: Annotated[UUID, QueryParameter(name="from", description="the earlier revision")],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> Response[Difference]:
    """What this revision changes of the one given by `from`; as text where text/plain is accepted first."""
    found = await revisions.read_difference(db, caller, before, revision_id)
    text = request.accept.best_match(["application/json", "text/plain"]) == "text/plain"
    if not text:
        return Response(found, headers={"Vary": "Accept"})
    return Response(
        difference_text(found),  # type: ignore[arg-type]  # the other representation of the same answer
        media_type="text/plain; charset=utf-8",
        headers={"Vary": "Accept"},
    )


@post(
    "/plan-checks",
    status_code=200,
    operation_class=TakesDocument,
    request_max_body_size=LONG_BODY,
    responses=problems(400, 401, 403, 429, 503),
)
async def check_document(
    request: AnyRequest, caller: NamedDependency[Caller], checks: NamedDependency[Checks]
) -> PlanCheck:
    """Check a document and record nothing; for those who write or approve plans, one at a time."""
    may_check(caller)
    checked = await checks.check(caller, await request.body())
    return PlanCheck(findings=checked.findings, digest=digest(checked.document) if checked.document else None)


@get(
    "/plan-schema",
    responses={
        200: ResponseSpec(
            dict[str, Any],
            description="A JSON Schema",
            generate_examples=False,
            media_type="application/schema+json",
        ),
        **problems(400, 401),
    },
)
async def read_schema(request: AnyRequest) -> Response[bytes | None]:
    """The published JSON Schema (2020-12) of plan documents."""
    text = schema_text()
    answer = conditional(request, text)
    answer.media_type = "application/schema+json"
    return answer


@get("/vocabulary", responses=problems(400, 401))
async def read_vocabulary(request: AnyRequest) -> Response[Vocabulary | None]:
    """Every term list with its source and provenance, and the cautions."""
    lists = Vocabulary(
        lists=list(vocabulary.term_lists().values()), cautions=list(vocabulary.cautions().values())
    )
    return conditional(request, lists)


@get("/vocabulary/{list_id:str}", responses=problems(400, 401, 404))
async def read_term_list(request: AnyRequest, list_id: KnownCode) -> Response[TermList | None]:
    """One term list; a term of it is stored as list:code."""
    term_list = vocabulary.term_lists().get(list_id)
    if term_list is None:
        raise NotFound(f"There is no term list {list_id}.", next_step="Take an id of GET /api/v1/vocabulary.")
    return conditional(request, term_list)


router = Router(
    path="/api/v1",
    route_handlers=[
        list_types,
        read_type,
        put_type,
        put_build,
        list_plans,
        read_plan,
        put_plan,
        list_revisions,
        create_draft,
        read_revision,
        read_document,
        edit_draft,
        record_event,
        read_applicability,
        read_difference,
        check_document,
        read_schema,
        read_vocabulary,
        read_term_list,
    ],
    tags=["plans"],
)

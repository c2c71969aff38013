"""Sign-in, accounts, agents, sites and keys over HTTP."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

from litestar import Response, Router, delete, get, post, put
from litestar.di import NamedDependency
from litestar.params import FromPath, JSONBody, PathParameter

from service.access.actions import agents, keys, people, proposals, register, signing_in, sites
from service.access.auth import (
    BEFORE_NEW_PASSWORD,
    cookies_of,
    local_accounts_must_be_on,
    must_be_same_origin,
    session_cookie,
    visitor_of,
)
from service.access.rules import Caller
from service.bodies import LONG_BODY, NOBODY_SENDS
from service.contract.access import (
    Account,
    AccountIn,
    AccountProposal,
    AccountProposed,
    AgentEnrolled,
    AgentReport,
    AgentToken,
    CallerRights,
    EnrolAgent,
    EnrolledAgent,
    EnrolmentCode,
    JwkSet,
    KeyRecord,
    NewCode,
    PasswordChange,
    ProposalDecision,
    Session,
    SignedIn,
    SignIn,
    Site,
    SiteIn,
    SitePeople,
)
from service.contract.wire import CODE_PATTERN, Page
from service.database import Database
from service.http import (
    AnyRequest,
    Cursor,
    PageSize,
    conditional,
    decode_cursor,
    paged,
    tagged,
    unchanged,
)
from service.problems import problems
from service.settings import Settings
from service.signing import Signer

SiteCode = Annotated[str, PathParameter(max_length=64, pattern=CODE_PATTERN)]


@post(
    "/sessions",
    status_code=201,
    exclude_from_auth=True,
    request_max_body_size=NOBODY_SENDS,
    security=[{}],
    responses=problems(400, 401, 403, 429),
)
async def sign_in(
    request: AnyRequest,
    data: JSONBody[SignIn],
    db: NamedDependency[Database],
    settings: NamedDependency[Settings],
) -> Response[SignedIn]:
    """Sign in. The token is for programs; browsers use the cookie that comes with it."""
    must_be_same_origin(request, settings, proof_needed=False)
    local_accounts_must_be_on(settings)
    visitor = visitor_of(request, settings, data.login)
    opened = await signing_in.sign_in(db, data, settings.session_hours, visitor)
    return Response(opened.signed_in, status_code=201, cookies=cookies_of(settings, opened, data.login))


@delete("/sessions/current", status_code=204, opt=BEFORE_NEW_PASSWORD, responses=problems(401, 403))
async def sign_out(
    db: NamedDependency[Database], caller: NamedDependency[Caller], settings: NamedDependency[Settings]
) -> Response[None]:
    """End the session the request came with."""
    await signing_in.sign_out(db, caller)
    return Response(None, status_code=204, cookies=[session_cookie(settings, None)])


@get("/sessions", responses=problems(401, 403))
async def list_sessions(db: NamedDependency[Database], caller: NamedDependency[Caller]) -> list[Session]:
    """One's own sessions, the newest first."""
    return await signing_in.list_sessions(db, caller)


@delete("/sessions", status_code=204, responses=problems(401, 403))
async def end_sessions(
    db: NamedDependency[Database], caller: NamedDependency[Caller], settings: NamedDependency[Settings]
) -> Response[None]:
    """End all of one's own sessions, this one too; no device is known any more."""
    await signing_in.end_sessions(db, caller)
    return Response(None, status_code=204, cookies=[session_cookie(settings, None)])


@get("/callers/me", opt=BEFORE_NEW_PASSWORD, responses=problems(401))
async def read_caller(caller: NamedDependency[Caller]) -> CallerRights:
    """Who the service takes the caller for, and what the caller may do."""
    return people.rights_of(caller)


@get("/keys", exclude_from_auth=True, security=[{}])
async def read_keys(db: NamedDependency[Database], signer: NamedDependency[Signer]) -> JwkSet:
    """The public keys that prove a receipt (RFC 7517, RFC 8037): the one in use, and those used before."""
    return await keys.trusted_keys(db, signer)


@get("/keys/history", responses=problems(401, 403))
async def read_key_history(db: NamedDependency[Database], caller: NamedDependency[Caller]) -> list[KeyRecord]:
    """What is recorded of every receipt key, also of those that are not trusted any more."""
    return await keys.list_keys(db, caller)


@get("/accounts", responses=problems(400, 401, 403))
async def list_accounts(
    request: AnyRequest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[Page[Account]]:
    """Accounts by login."""
    items = await people.list_accounts(db, caller, decode_cursor(cursor, str), limit)
    return paged(request, items, limit, lambda item: item.login)


@get("/accounts/{account_id:uuid}", responses=problems(400, 401, 403, 404))
async def read_account(
    request: AnyRequest,
    account_id: FromPath[UUID],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> Response[Account | None]:
    """One account, with the ETag that a change of it needs."""
    account = await people.read_account(db, caller, account_id)
    return conditional(request, account)


@put(
    "/accounts/{account_id:uuid}",
    status_code=200,
    responses=problems(400, 401, 403, 409, 412, 422, 428, 429),
)
async def put_account(
    request: AnyRequest,
    account_id: FromPath[UUID],
    data: JSONBody[AccountIn],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> Response[Account]:
    """Make an account, or with If-Match change it. A password of it is never shown."""
    return tagged(await people.put_account(db, caller, account_id, data, unchanged(request)))


@put(
    "/accounts/{account_id:uuid}/password",
    status_code=204,
    opt=BEFORE_NEW_PASSWORD,
    responses=problems(400, 401, 403, 404, 409, 422, 429),
)
async def change_password(
    account_id: FromPath[UUID],
    data: JSONBody[PasswordChange],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> None:
    """Change one's own password; every other session of the account ends."""
    await people.change_password(db, caller, account_id, data)


@delete("/accounts/{account_id:uuid}", status_code=200, responses=problems(400, 401, 403, 404))
async def close_account(
    account_id: FromPath[UUID], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> Account:
    """Close an account. Its facts stay."""
    return await people.close_account(db, caller, account_id)


@put(
    "/account-proposals/{proposal_id:uuid}",
    status_code=200,
    responses=problems(400, 401, 403, 404, 409, 422, 429),
)
async def propose(
    proposal_id: FromPath[UUID],
    data: JSONBody[AccountProposed],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> AccountProposal:
    """Propose a change that one administrator alone may not make: to make an account approver or
    administrator, to let one reach further, to set a password of one."""
    return await proposals.propose(db, caller, proposal_id, data)


@get("/account-proposals", responses=problems(400, 401, 403))
async def list_proposals(
    request: AnyRequest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[Page[AccountProposal]]:
    """Proposed changes of accounts, the newest id first, decided or not."""
    items = await proposals.list_proposals(db, caller, decode_cursor(cursor, UUID), limit)
    return paged(request, items, limit, lambda item: item.id)


@post(
    "/account-proposals/{proposal_id:uuid}/decision",
    status_code=200,
    responses=problems(400, 401, 403, 404, 409),
)
async def decide(
    proposal_id: FromPath[UUID],
    data: JSONBody[ProposalDecision],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> AccountProposal:
    """Confirm or refuse another administrator's proposal, or withdraw one's own."""
    return await proposals.decide(db, caller, proposal_id, data.decision)


@post("/enrolment-codes", status_code=201, responses=problems(400, 401, 403, 404))
async def make_code(
    data: JSONBody[NewCode], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> EnrolmentCode:
    """A one-time code for one workstation; it is shown only here."""
    return await agents.make_code(db, caller, data)


@post(
    "/agents",
    status_code=201,
    exclude_from_auth=True,
    request_max_body_size=NOBODY_SENDS,
    security=[{}],
    responses=problems(400, 403, 409),
)
async def enrol(
    data: JSONBody[EnrolAgent],
    db: NamedDependency[Database],
    signer: NamedDependency[Signer],
    settings: NamedDependency[Settings],
) -> AgentEnrolled:
    """Enrol a workstation with a one-time code. Repeat it as it was when the answer is lost."""
    return await agents.enrol(db, await keys.trusted_keys(db, signer), data, settings.agent_token_days)


@get("/agents", responses=problems(400, 401, 403))
async def list_agents(
    request: AnyRequest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[Page[EnrolledAgent]]:
    """Workstations in service, by site and name, with what they last reported."""
    after = decode_cursor(cursor, tuple[str, str, UUID])
    items = await agents.list_agents(db, caller, after, limit)
    return paged(request, items, limit, lambda item: (item.site, item.name, item.id))


@put("/agents/{agent_id:uuid}/report", status_code=200, responses=problems(400, 401, 403))
async def report(
    agent_id: FromPath[UUID],
    data: JSONBody[AgentReport],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> EnrolledAgent:
    """What the agent says of itself; the answer holds how far its clock is off."""
    return await agents.report(db, caller, agent_id, data)


@post("/agents/{agent_id:uuid}/token", status_code=201, responses=problems(400, 401, 403))
async def renew_token(
    agent_id: FromPath[UUID],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    settings: NamedDependency[Settings],
) -> AgentToken:
    """A further token for the agent that asks. Those before it end a week after it was first used."""
    return await agents.renew_token(db, caller, agent_id, settings.agent_token_days)


@delete("/agents/{agent_id:uuid}", status_code=200, responses=problems(400, 401, 403, 404))
async def retire(
    agent_id: FromPath[UUID], db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> EnrolledAgent:
    """Retire a workstation: its token is refused from now on, what it brought stays."""
    return await agents.retire(db, caller, agent_id)


@get("/sites", responses=problems(400, 401, 403))
async def list_sites(
    request: AnyRequest,
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
    cursor: Cursor = None,
    limit: PageSize = 100,
) -> Response[Page[Site]]:
    """The caller's sites, by code."""
    items = await sites.list_sites(db, caller, decode_cursor(cursor, str), limit)
    return paged(request, items, limit, lambda item: item.code)


@get("/sites/{code:str}", responses=problems(400, 401, 403, 404))
async def read_site(
    request: AnyRequest, code: SiteCode, db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> Response[Site | None]:
    """One site, with the ETag that a change of it needs."""
    return conditional(request, await sites.read_site(db, caller, code))


@put("/sites/{code:str}", status_code=200, responses=problems(400, 401, 403, 412, 422, 428))
async def put_site(
    request: AnyRequest,
    code: SiteCode,
    data: JSONBody[SiteIn],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> Response[Site]:
    """Make a site, or with If-Match change it."""
    return tagged(await sites.put_site(db, caller, code, data, unchanged(request)))


@get("/sites/{code:str}/people", responses=problems(400, 401, 403, 404))
async def read_people(
    request: AnyRequest, code: SiteCode, db: NamedDependency[Database], caller: NamedDependency[Caller]
) -> Response[SitePeople | None]:
    """The register of people without an account, with the ETag that a change of it needs."""
    found = await register.read_register(db, caller, code)
    return conditional(request, found)


@put(
    "/sites/{code:str}/people",
    status_code=200,
    request_max_body_size=LONG_BODY,
    responses=problems(400, 401, 403, 404, 412, 422, 428),
)
async def put_people(
    request: AnyRequest,
    code: SiteCode,
    data: JSONBody[SitePeople],
    db: NamedDependency[Database],
    caller: NamedDependency[Caller],
) -> Response[SitePeople]:
    """Enter the people of a site who have no account, or with If-Match change the register."""
    return tagged(await register.put_register(db, caller, code, data, unchanged(request)))


router = Router(
    path="/api/v1",
    route_handlers=[
        sign_in,
        sign_out,
        list_sessions,
        end_sessions,
        read_caller,
        read_keys,
        read_key_history,
        list_accounts,
        read_account,
        put_account,
        change_password,
        close_account,
        propose,
        list_proposals,
        decide,
        make_code,
        enrol,
        list_agents,
        report,
        renew_token,
        retire,
        list_sites,
        read_site,
        put_site,
        read_people,
        put_people,
    ],
    tags=["access"],
)

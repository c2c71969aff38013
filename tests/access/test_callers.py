"""Who may call what: every route needs a caller, roles, site scopes, accounts, sites and agents."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.access.rules import Act, Caller, Role, plain_code
from service.contract.wire import new_id
from tests.live_service import Running, execute, make_site

PASSWORD = "correct horse battery"

# Needs no caller: health, sign-in, enrolment by code, the public keys.
PUBLIC = {
    ("get", "/health/live"),
    ("get", "/health/ready"),
    ("post", "/api/v1/sessions"),
    ("post", "/api/v1/agents"),
    ("get", "/api/v1/keys"),
}

# The quality office's decision, written down once more so that a slip in the code shows.
MATRIX = {
    "author": {Act.READ, Act.WRITE_PLAN},
    "approver": {Act.READ, Act.APPROVE_PLAN},
    "inspector": {Act.READ, Act.STATE},
    "shift_lead": {Act.READ, Act.STATE, Act.AUTHORISE_OMISSION, Act.REBIND, Act.MOVE_PICTURE},
    "manager": {Act.READ, Act.RUN_CAMPAIGN, Act.REBIND},
    "engineer": {Act.READ, Act.AUTHORISE_OMISSION, Act.AUTHORISE_MANDATORY_OMISSION, Act.MOVE_PICTURE},
    "auditor": {Act.READ, Act.READ_LOG},
    "administrator": {Act.READ, Act.RUN_SITE, Act.READ_LOG},
}


def name(prefix: str) -> str:
    return f"{prefix}{new_id().hex[-8:]}".lower()


@pytest.mark.parametrize("role", list(Role))
@pytest.mark.parametrize("act", list(Act))
def test_each_role_does_its_acts_and_no_other(role: Role, act: Act) -> None:
    caller = Caller(new_id(), "x", frozenset({role}), None)
    assert caller.may(act) is (act in MATRIX[role])


@pytest.mark.parametrize("role", list(Role))
def test_each_role_over_http(service: Running, role: Role) -> None:
    client = service.client_for([role])
    may_run = role is Role.ADMINISTRATOR
    assert client.get("/api/v1/sites").status_code == 200
    body = {"name": "A site", "kind": "works", "timeZone": "Europe/Dublin"}
    assert client.put(f"/api/v1/sites/{name('S')}", json=body).status_code == (200 if may_run else 403)
    assert client.get("/api/v1/accounts").status_code == (200 if may_run else 403)
    make_site(service.settings, "S1")
    answer = client.post("/api/v1/enrolment-codes", json={"site": "S1"})
    assert answer.status_code == (201 if may_run else 403)
    reads_metrics = role in (Role.AUDITOR, Role.MANAGER, Role.ADMINISTRATOR)
    assert client.get("/metrics").status_code == (200 if reads_metrics else 403)
    assert set(client.get("/api/v1/callers/me").json()["acts"]) == {str(act) for act in MATRIX[role]}


def test_every_route_of_the_api_needs_a_caller(service: Running) -> None:
    schema = service.client().get("/api/v1/schema/openapi.json").json()
    found = {
        (method, path) for path, item in schema["paths"].items() for method in item if method != "parameters"
    }
    assert found >= PUBLIC
    for method, path in sorted(found - PUBLIC):
        parameters = schema["paths"][path][method].get("parameters", [])
        filled = path
        for part in parameters:
            value = "1" if part["schema"].get("type") == "integer" else str(new_id())
            filled = filled.replace(f"{{{part['name']}}}", value)
        answer = service.client().request(method, filled, json={})
        assert answer.status_code == 401, (method, path)
        assert schema["paths"][path][method].get("security", schema["security"]) != [{}]


def test_pages_and_metrics_need_a_caller(service: Running) -> None:
    for path in ("/", "/units", "/metrics"):
        assert service.client().get(path, headers={"Accept": "application/json"}).status_code in (401, 303), (
            path
        )


@pytest.mark.parametrize(
    "header", ["", "Bearer", "Bearer \t x y", "Basic YTpi", "Bearer unknown", "bearer sla_x", "Bearer ä"]
)
def test_a_bad_authorization_header_is_401(service: Running, header: str) -> None:
    answer = service.client().get("/api/v1/sites", headers={"Authorization": header.encode("utf-8")})
    assert answer.status_code == 401
    assert answer.headers["WWW-Authenticate"].startswith("Bearer")


def test_the_metrics_token_reads_metrics_and_nothing_else(service: Running) -> None:
    client = service.client(service.settings.metrics_token)
    assert service.client().get("/health/live").status_code == 200
    answer = client.get("/metrics")
    assert answer.status_code == 200
    assert 'sightledger_requests_total{method="GET",route="/health/live",status="200"}' in answer.text
    for path in ("/api/v1/sites", "/api/v1/agents", "/api/v1/accounts"):
        assert client.get(path).status_code == 403


def test_an_agent_sees_and_speaks_for_its_own_site_only(service: Running) -> None:
    here, there = name("S"), name("S")
    mine, other = service.agent_client(here), service.agent_client(there)
    assert [site["code"] for site in mine.get("/api/v1/sites").json()["items"]] == [here]
    assert mine.get(f"/api/v1/sites/{there}").status_code == 403
    assert {agent["site"] for agent in mine.get("/api/v1/agents").json()["items"]} == {here}
    other_id = other.get("/api/v1/callers/me").json()["id"]
    assert mine.put(f"/api/v1/agents/{other_id}/report", json=report()).status_code == 403
    assert mine.delete(f"/api/v1/agents/{other_id}").status_code == 403
    assert mine.post("/api/v1/enrolment-codes", json={"site": here}).status_code == 403


def report(clock: datetime | None = None) -> dict[str, Any]:
    return {
        "version": "1",
        "platform": "test",
        "clock": (clock or datetime.now(UTC)).isoformat(),
        "heldRevisions": [],
        "queuedFiles": 0,
        "queuedBytes": 0,
        "spoolFreeBytes": 1,
    }


def test_a_report_tells_how_far_the_agents_clock_is_off(service: Running) -> None:
    client = service.agent_client(name("S"))
    agent_id = client.get("/api/v1/callers/me").json()["id"]
    before = datetime.now(UTC)
    answer = client.put(f"/api/v1/agents/{agent_id}/report", json=report(before + timedelta(hours=2)))
    after = datetime.now(UTC)
    # The service's clock was read between ours of before and after.
    slack = (after - before).total_seconds() + 0.001
    assert 7200 - slack <= answer.json()["clockOffsetS"] <= 7200 + 0.001
    assert answer.json()["lastSeenAt"] is not None


def test_a_retired_agent_is_refused_and_its_row_stays(service: Running) -> None:
    client = service.agent_client(name("S"))
    agent_id = client.get("/api/v1/callers/me").json()["id"]
    administrator = service.client_for(["administrator"])
    first = administrator.delete(f"/api/v1/agents/{agent_id}")
    assert first.status_code == 200
    assert administrator.delete(f"/api/v1/agents/{agent_id}").content == first.content
    assert client.get("/api/v1/callers/me").status_code == 401
    assert execute(service.settings, "SELECT count(*) FROM agents WHERE id = %s", agent_id) == [(1,)]
    events = execute(service.settings, "SELECT kind FROM access_events WHERE agent_id = %s", agent_id)
    assert events == [("agent_retired",)]


def test_an_administrator_of_one_site_gives_no_access_beyond_it(service: Running) -> None:
    here, there = name("S"), name("S")
    for code in (here, there):
        make_site(service.settings, code)
    local = service.client_for(["administrator"], [here])
    for sites, status in (([here], 200), ([here, there], 403), (None, 403)):
        body = {"login": name("u"), "name": "U", "roles": ["inspector"], "sites": sites, "password": PASSWORD}
        assert local.put(f"/api/v1/accounts/{new_id()}", json=body).status_code == status
    foreign = service.account(name("u"), PASSWORD, ["inspector"], [there])
    assert local.get(f"/api/v1/accounts/{foreign}").status_code == 404
    assert local.delete(f"/api/v1/accounts/{foreign}").status_code == 404
    listed = local.get("/api/v1/accounts").json()["items"]
    assert {tuple(account["sites"]) for account in listed} == {(here,)}
    assert local.post("/api/v1/enrolment-codes", json={"site": there}).status_code == 403
    body = {"name": "A site", "kind": "works", "timeZone": "Europe/Dublin"}
    assert local.put(f"/api/v1/sites/{there}", json=body).status_code == 403


def test_i8_an_account_is_made_once_and_changed_only_as_read(service: Running) -> None:
    administrator, account_id, login = service.client_for(["administrator"]), new_id(), name("u")
    path = f"/api/v1/accounts/{account_id}"
    body = {"login": login, "name": "U", "roles": ["inspector"], "sites": None, "password": PASSWORD}
    first = administrator.put(path, json=body)
    assert first.status_code == 200
    assert "password" not in first.text
    again = administrator.put(path, json=body)
    assert (again.status_code, again.content) == (200, first.content)
    changed = {**body, "name": "V"}
    assert administrator.put(path, json=changed).status_code == 428
    assert administrator.put(path, json=changed, headers={"If-Match": '"other"'}).status_code == 412
    assert administrator.put(path, json=changed, headers={"If-Match": "other"}).status_code == 400
    tag = administrator.get(path).headers["ETag"]
    done = administrator.put(path, json=changed, headers={"If-Match": tag})
    assert (done.status_code, done.json()["name"]) == (200, "V")
    assert done.headers["ETag"] == administrator.get(path).headers["ETag"] != tag
    assert administrator.get(path, headers={"If-None-Match": done.headers["ETag"]}).status_code == 304
    taken = administrator.put(f"/api/v1/accounts/{new_id()}", json=body)
    assert taken.status_code == 409
    kinds = execute(
        service.settings,
        "SELECT kind FROM access_events WHERE account_id = %s AND kind <> 'password_tried' ORDER BY at",
        account_id,
    )
    assert kinds == [("account_made",), ("account_changed",)]


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"roles": ["king"]}, 422),
        ({"roles": []}, 400),
        ({"sites": ["no-such-site"]}, 422),
        ({"sites": []}, 400),
        ({"password": "short"}, 400),
        ({"password": None}, 422),
        ({"login": "Upper Case"}, 400),
        ({"name": "a\u0000b"}, 400),
        ({"extra": 1}, 400),
    ],
)
def test_bad_accounts_are_refused_and_nothing_is_written(
    service: Running, change: dict[str, Any], status: int
) -> None:
    account_id, administrator = new_id(), service.client_for(["administrator"])
    body = {"login": name("u"), "name": "U", "roles": ["inspector"], "sites": None, "password": PASSWORD}
    answer = administrator.put(f"/api/v1/accounts/{account_id}", json={**body, **change})
    assert answer.status_code == status, answer.text
    assert administrator.get(f"/api/v1/accounts/{account_id}").status_code == 404


def test_i8_a_site_is_made_once_and_changed_only_as_read(service: Running) -> None:
    administrator, path = service.client_for(["administrator"]), f"/api/v1/sites/{name('S')}"
    body = {"name": "A", "kind": "works", "timeZone": "Europe/Dublin"}
    first = administrator.put(path, json=body)
    assert administrator.put(path, json=body).content == first.content
    assert administrator.put(path, json={**body, "name": "B"}).status_code == 428
    tag = administrator.get(path).headers["ETag"]
    assert (
        administrator.put(path, json={**body, "name": "B"}, headers={"If-Match": tag}).json()["name"] == "B"
    )
    assert administrator.put(path, json={**body, "name": "C"}, headers={"If-Match": tag}).status_code == 412
    assert administrator.put(path, json={**body, "timeZone": "Mars/Base"}).status_code == 422


def test_the_card_profile_of_a_site_reaches_its_workstations(service: Running) -> None:
    administrator, site = service.client_for(["administrator"]), name("S")
    path, body = f"/api/v1/sites/{site}", {"name": "A", "kind": "works", "timeZone": "Europe/Dublin"}
    made = administrator.put(path, json=body)
    agent = service.agent_client(site)
    assert agent.get(f"{path}/worklist").json()["cardProfile"] is None
    changed = administrator.put(
        path, json={**body, "cardProfile": "two-level"}, headers={"If-Match": made.headers["ETag"]}
    )
    assert changed.json()["cardProfile"] == agent.get(path).json()["cardProfile"] == "two-level"
    assert agent.get(f"{path}/worklist").json()["cardProfile"] == "two-level"
    assert administrator.put(path, json={**body, "cardProfile": "../x"}).status_code == 400


@pytest.mark.parametrize(
    "typed", ["ABCDE-01234", " abcde01234 ", "abcde-o1234", "ABCDE OI234", "abcde-ol234"]
)
def test_a_code_is_read_however_it_is_typed(typed: str) -> None:
    assert plain_code(typed) == "ABCDE01234"


def test_i8_the_same_account_sent_at_once_is_made_once(service: Running) -> None:
    client, path = service.client_for(["administrator"]), f"/api/v1/accounts/{new_id()}"
    body = {"login": name("u"), "name": "U", "roles": ["inspector"], "sites": None, "password": PASSWORD}
    with ThreadPoolExecutor(3) as pool:
        answers = list(pool.map(lambda _: client.put(path, json=body), range(3)))
    assert {(answer.status_code, answer.content) for answer in answers} == {(200, answers[0].content)}

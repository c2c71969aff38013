"""Who may call what: every route needs a caller, roles, site scopes, sessions, throttling, secrets."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import psycopg
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.access.rules import FREE_TRIES, LONGEST_WAIT_S, Act, Caller, Role, plain_code, wait_after
from service.contract.wire import new_id
from tests.running import Running, driver_url, make_site, token_of_person

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
    "auditor": {Act.READ},
    "administrator": {Act.READ, Act.RUN_SITE},
}


def name(prefix: str) -> str:
    return f"{prefix}{new_id().hex[-8:]}".lower()


def sql(service: Running, statement: str, *values: object) -> list[Any]:
    with psycopg.connect(driver_url(service.settings)) as connection:
        cursor = connection.execute(statement, values)
        return cursor.fetchall() if cursor.description else []


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
        filled = re.sub(r"\{[^}]+\}", str(new_id()), path)
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
    answer = client.get("/metrics")
    assert answer.status_code == 200
    assert 'route="/api/v1/sites"' in answer.text or "sightledger_requests_total" in answer.text
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
    assert sql(service, "SELECT count(*) FROM agents WHERE id = %s", agent_id) == [(1,)]
    events = sql(service, "SELECT kind FROM access_events WHERE agent_id = %s", agent_id)
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
    assert local.get(f"/api/v1/accounts/{foreign}").status_code == 403
    assert local.delete(f"/api/v1/accounts/{foreign}").status_code == 403
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
    kinds = sql(service, "SELECT kind FROM access_events WHERE account_id = %s ORDER BY at", account_id)
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


def cookie_client(service: Running, login: str) -> httpx.Client:
    client = service.client()
    assert client.post("/api/v1/sessions", json={"login": login, "password": PASSWORD}).status_code == 201
    return client


def test_a_session_cookie_is_for_http_only_and_ends_with_sign_out(service: Running) -> None:
    login = name("u")
    service.account(login, PASSWORD, ["auditor"])
    client = service.client()
    answer = client.post("/api/v1/sessions", json={"login": login, "password": PASSWORD})
    cookie = answer.headers["Set-Cookie"].lower()
    assert cookie.startswith("sightledger_session=slp_")
    for word in ("httponly", "samesite=lax", "path=/", "max-age=43200"):
        assert word in cookie
    assert client.get("/api/v1/callers/me").json()["roles"] == ["auditor"]
    kept = dict(client.cookies)
    assert (
        client.delete("/api/v1/sessions/current", headers={"Sec-Fetch-Site": "same-origin"}).status_code
        == 204
    )
    assert not client.cookies
    assert service.client(cookies=kept).get("/api/v1/callers/me").status_code == 401


@pytest.mark.parametrize(
    ("headers", "allowed"),
    [
        ({}, False),
        ({"Sec-Fetch-Site": "same-origin"}, True),
        ({"Sec-Fetch-Site": "cross-site"}, False),
        ({"Sec-Fetch-Site": "same-site"}, False),
        ({"Sec-Fetch-Site": "none"}, False),
        ({"Origin": "OWN"}, True),
        ({"Origin": "https://elsewhere.example"}, False),
        ({"Origin": "null"}, False),
        ({"Origin": "OWN", "Sec-Fetch-Site": "cross-site"}, False),
    ],
)
def test_a_cookie_writes_only_from_our_own_pages(
    service: Running, headers: dict[str, str], allowed: bool
) -> None:
    login = name("u")
    service.account(login, PASSWORD, ["administrator"])
    client = cookie_client(service, login)
    sent = {key: service.url if value == "OWN" else value for key, value in headers.items()}
    body = {"name": "A", "kind": "works", "timeZone": "Europe/Dublin"}
    answer = client.put(f"/api/v1/sites/{name('S')}", json=body, headers=sent)
    assert answer.status_code == (200 if allowed else 403)
    # Reading changes nothing and is always allowed.
    assert client.get("/api/v1/sites", headers=sent).status_code == 200


def test_another_sites_page_cannot_sign_a_browser_in(service: Running) -> None:
    answer = service.client().post(
        "/api/v1/sessions", json={"login": "a1", "password": "b"}, headers={"Sec-Fetch-Site": "cross-site"}
    )
    assert answer.status_code == 403


def test_expired_and_revoked_tokens_and_closed_accounts_are_refused(service: Running) -> None:
    account_id, token = token_of_person(service.settings, ["auditor"])
    client = service.client(token)
    assert client.get("/api/v1/callers/me").status_code == 200
    yesterday = datetime.now(UTC) - timedelta(days=1)
    sql(service, "UPDATE tokens SET expires_at = %s WHERE account_id = %s", yesterday, account_id)
    assert client.get("/api/v1/callers/me").status_code == 401
    sql(service, "UPDATE tokens SET expires_at = NULL WHERE account_id = %s", account_id)
    assert client.get("/api/v1/callers/me").status_code == 200
    administrator = service.client_for(["administrator"])
    closed = administrator.delete(f"/api/v1/accounts/{account_id}")
    assert closed.json()["closedAt"] is not None
    assert administrator.delete(f"/api/v1/accounts/{account_id}").content == closed.content
    assert client.get("/api/v1/callers/me").status_code == 401


def test_a_closed_account_cannot_sign_in(service: Running) -> None:
    login = name("u")
    account_id = service.account(login, PASSWORD, ["auditor"])
    service.client_for(["administrator"]).delete(f"/api/v1/accounts/{account_id}")
    answer = service.client().post("/api/v1/sessions", json={"login": login, "password": PASSWORD})
    assert answer.status_code == 401


def test_a_new_password_ends_the_other_sessions(service: Running) -> None:
    login = name("u")
    account_id = service.account(login, PASSWORD, ["auditor"])
    mine, other = (service.client(service.sign_in(login, PASSWORD).token) for _ in range(2))
    path = f"/api/v1/accounts/{account_id}/password"
    assert mine.put(path, json={"current": "wrong one", "new": "another long one"}).status_code == 403
    assert mine.put(path, json={"current": PASSWORD, "new": "short"}).status_code == 400
    assert (
        service.client_for(["administrator"])
        .put(path, json={"current": PASSWORD, "new": "another long one"})
        .status_code
        == 403
    )
    assert mine.put(path, json={"current": PASSWORD, "new": "another long one"}).status_code == 204
    assert mine.get("/api/v1/callers/me").status_code == 200
    assert other.get("/api/v1/callers/me").status_code == 401
    assert service.sign_in(login, "another long one").roles == ["auditor"]


@pytest.mark.parametrize("known", [True, False])
def test_failed_sign_ins_are_slowed_whether_or_not_the_login_exists(service: Running, known: bool) -> None:
    login, client = name("u"), service.client()
    if known:
        service.account(login, PASSWORD, ["auditor"])
    wrong = {"login": login, "password": "wrong password"}
    answers = [client.post("/api/v1/sessions", json=wrong) for _ in range(FREE_TRIES)]
    assert {(answer.status_code, answer.json()["detail"]) for answer in answers} == {
        (401, "Login and password do not fit.")
    }
    # The wait is 2 s; the tries are moved a minute on, so that a slow machine does not outwait it.
    move = "UPDATE access_events SET at = at + %s WHERE login_hash = sha256(convert_to(%s, 'UTF8'))"
    sql(service, move, timedelta(minutes=1), login)
    held = client.post("/api/v1/sessions", json={"login": login, "password": PASSWORD})
    assert held.status_code == 429
    assert 1 <= int(held.headers["Retry-After"]) <= 62
    # A refused try is not counted, so that waiting as told helps.
    sql(service, move, timedelta(minutes=-2), login)
    assert client.post("/api/v1/sessions", json={"login": login, "password": PASSWORD}).status_code == (
        201 if known else 401
    )


def test_a_success_clears_the_failures(service: Running) -> None:
    login, client = name("u"), service.client()
    service.account(login, PASSWORD, ["auditor"])
    for _ in range(2):
        for _ in range(FREE_TRIES - 1):
            client.post("/api/v1/sessions", json={"login": login, "password": "wrong password"})
        assert client.post("/api/v1/sessions", json={"login": login, "password": PASSWORD}).status_code == 201


@given(st.integers(0, 10_000))
def test_the_wait_grows_and_ends(tries: int) -> None:
    assert 0 <= wait_after(tries) <= wait_after(tries + 1) <= LONGEST_WAIT_S
    assert (wait_after(tries) == 0) is (tries < FREE_TRIES)


@pytest.mark.parametrize(
    "typed", ["ABCDE-01234", " abcde01234 ", "abcde-o1234", "ABCDE OI234", "abcde-ol234"]
)
def test_a_code_is_read_however_it_is_typed(typed: str) -> None:
    assert plain_code(typed) == "ABCDE01234"


def test_secrets_are_kept_as_hashes_and_never_logged(service: Running) -> None:
    login = name("u")
    service.account(login, PASSWORD, ["auditor"])
    session, enrolled = service.sign_in(login, PASSWORD), service.enrol(name("S"))
    service.client(session.token).get(f"/api/v1/units?q={session.token}")
    service.client().post("/api/v1/sessions", json={"login": PASSWORD.replace(" ", ""), "password": login})
    service.client(cookies={"sightledger_session": session.token}).get("/api/v1/sites")
    log = service.log()
    assert '"route": "/api/v1/sessions"' in log
    for secret in (session.token, enrolled.token, PASSWORD, PASSWORD.replace(" ", "")):
        assert secret not in log
        tables = sql(service, "SELECT tablename FROM pg_tables WHERE schemaname = %s", "public")
        for (table,) in tables:
            statement = f'SELECT count(*) FROM "{table}" t WHERE t::text LIKE %s'
            assert sql(service, statement, f"%{secret}%") == [(0,)], table

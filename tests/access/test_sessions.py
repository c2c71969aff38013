"""Sessions of people: cookies, requests from other sites, endings, throttling, and where secrets are kept."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.access.rules import FREE_TRIES, LONGEST_WAIT_S, wait_after
from service.contract.wire import new_id
from tests.live_service import Running, execute, rewriting, token_of_person

PASSWORD = "correct horse battery"


def name(prefix: str) -> str:
    return f"{prefix}{new_id().hex[-8:]}".lower()


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
    assert "sightledger_session" not in client.cookies
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
    expire = "UPDATE tokens SET expires_at = %s WHERE account_id = %s"
    execute(service.settings, expire, yesterday, account_id)
    assert client.get("/api/v1/callers/me").status_code == 401
    execute(service.settings, expire, None, account_id)
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


def in_the_past(service: Running, move: str, *values: object) -> None:
    """The events of access are a record, which only a test may have happen at another time."""
    with rewriting(service.settings.database_url, "access_events") as connection:
        connection.execute(move, values)


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
    in_the_past(service, move, timedelta(minutes=1), login)
    held = client.post("/api/v1/sessions", json={"login": login, "password": PASSWORD})
    assert held.status_code == 429
    assert 1 <= int(held.headers["Retry-After"]) <= 62
    # A refused try is not counted, so that waiting as told helps.
    in_the_past(service, move, timedelta(minutes=-2), login)
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
        tables = execute(service.settings, "SELECT tablename FROM pg_tables WHERE schemaname = %s", "public")
        for (table,) in tables:
            statement = f'SELECT count(*) FROM "{table}" t WHERE t::text LIKE %s'
            assert execute(service.settings, statement, f"%{secret}%") == [(0,)], table

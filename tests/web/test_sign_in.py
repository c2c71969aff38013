"""Signing in and out by form."""

from __future__ import annotations

import httpx
import pytest

from service.access.auth import SESSION_COOKIE
from service.contract.wire import new_id
from tests.live_service import Running

PASSWORD = "a password of the tests"


@pytest.fixture(scope="module")
def login(service: Running) -> str:
    made = f"page-{new_id().hex}"
    service.account(made, PASSWORD, ["auditor"])
    return made


@pytest.fixture
def browser(service: Running) -> httpx.Client:
    client = service.client()
    client.headers.update({"Accept": "text/html", "Origin": service.url})
    return client


def test_a_session_is_a_cookie_no_script_can_read_and_ends_with_sign_out(
    browser: httpx.Client, login: str
) -> None:
    fields = {"login": login, "password": PASSWORD, "next": "/units?find=1"}
    answer = browser.post("/sign-in", data=fields)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/units?find=1"
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    token = browser.cookies[SESSION_COOKIE]
    assert browser.get("/").status_code == 200
    out = browser.post("/sign-out")
    assert out.status_code == 303
    assert out.headers["location"] == "/sign-in"
    browser.cookies.set(SESSION_COOKIE, token)
    assert browser.get("/").status_code == 303


def test_a_wrong_password_says_so_and_keeps_the_login(browser: httpx.Client, login: str) -> None:
    answer = browser.post("/sign-in", data={"login": login, "password": "wrong", "next": "/units"})
    assert answer.status_code == 401
    assert "Login and password do not fit." in answer.text
    assert f'value="{login}"' in answer.text
    assert 'value="/units"' in answer.text
    assert "wrong" not in answer.text.split("<form")[1]
    assert SESSION_COOKIE not in answer.cookies


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://elsewhere.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Origin": ""},
    ],
)
def test_a_form_sent_from_elsewhere_signs_nobody_in(
    browser: httpx.Client, login: str, headers: dict[str, str]
) -> None:
    answer = browser.post("/sign-in", data={"login": login, "password": PASSWORD}, headers=headers)
    assert answer.status_code == 403
    assert SESSION_COOKIE not in answer.cookies


def test_sign_in_leads_to_no_other_host(browser: httpx.Client, login: str) -> None:
    for wanted in ("https://a.example/", "//a.example", "/\\a.example", "javascript:x"):
        answer = browser.post("/sign-in", data={"login": login, "password": PASSWORD, "next": wanted})
        assert answer.headers["location"] == "/"


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"\xff\xfe", 400),
        (b"a=1&" * 20, 400),
        (b"login=" + b"x" * 20_000, 413),
        (b"login=a%00&password=b", 400),
    ],
)
def test_a_form_that_cannot_be_read_is_refused(browser: httpx.Client, body: bytes, status: int) -> None:
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    assert browser.post("/sign-in", content=body, headers=kind).status_code == status

"""What a session and a password stand against.

OWASP ASVS 5.0 V7.3, V7.4 and V6.2 (from memory): sessions end unused, are seen and ended by their owner, and
a password is none that is tried first; CWE-613, CWE-521, CWE-346, CWE-319.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from agent.__main__ import app
from service.access.actions.signing_in import MOST_SESSIONS
from service.access.rules import COMMON, origin_of, password_fault
from service.contract.wire import new_id
from tests.http.problems import problem_of
from tests.live_service import Running, execute, token_of_person

PASSWORD = "correct horse battery"


@pytest.mark.parametrize(
    "password",
    [" " * 12, "aaaaaaaaaaaa", "123456789012", "password1234", "P4ssw0rd!2026", "qwertyuiop12",
     "Summer2026!!", "letmein letmein", "admin-admin-admin", "whitlow-2026!"],
)  # fmt: skip
def test_a_password_that_is_tried_first_is_refused(service: Running, password: str) -> None:
    administrator = service.client_for(["administrator"])
    body = {"login": "whitlow", "name": "W", "roles": ["auditor"], "sites": None, "password": password}
    account_id = new_id()
    problem_of(administrator.put(f"/api/v1/accounts/{account_id}", json=body), 422)
    login = f"u{new_id().hex}"
    account_id = service.account(login, PASSWORD, ["auditor"])
    owner = service.client(service.sign_in(login, PASSWORD).token)
    if "whitlow" not in password:
        change = {"current": PASSWORD, "new": password}
        problem_of(owner.put(f"/api/v1/accounts/{account_id}/password", json=change), 422)


@given(st.lists(st.sampled_from([*COMMON, "1234", "2026", "!", "-", " "]), max_size=8))
def test_common_words_make_no_password_however_many(words: list[str]) -> None:
    assert password_fault("".join(words), "x") is not None


@given(st.text("bcdfghjklmnpqrstvwxz", min_size=12).filter(lambda text: len(set(text)) >= 5))
def test_what_nobody_would_guess_is_taken(text: str) -> None:
    assert password_fault(f"{text}.vkzjx", "somebody") is None


@given(st.sampled_from(["http", "https"]), st.sampled_from(["a.example", "A.example", "127.0.0.1", "[::1]"]))
def test_an_origin_is_scheme_host_and_port(scheme: str, host: str) -> None:
    other = {"http": "https", "https": "http"}[scheme]
    port = {"http": 80, "https": 443}[scheme]
    assert origin_of(f"{scheme}://{host}") == origin_of(f"{scheme}://{host.lower()}:{port}/")
    assert origin_of(f"{scheme}://{host}") != origin_of(f"{other}://{host}")
    assert origin_of(f"{scheme}://{host}:8000") != origin_of(f"{scheme}://{host}")


def test_a_page_of_the_same_host_under_another_scheme_writes_nothing(service: Running) -> None:
    """RFC 6454 5: the scheme is part of the origin; whoever is on the way writes a page of http://."""
    _, token = token_of_person(service.settings, ["administrator"])
    browser = service.client(cookies={"sightledger_session": token})
    body = {"name": "A", "kind": "works", "timeZone": "Europe/Dublin"}
    path, origin = f"/api/v1/sites/S{new_id().hex}", service.url.replace("http://", "https://")
    problem_of(browser.put(path, json=body, headers={"Origin": origin}), 403)
    assert browser.put(path, json=body, headers={"Origin": service.url}).status_code == 200


def test_an_account_has_so_many_sessions_and_no_more(service: Running) -> None:
    login = f"u{new_id().hex}"
    account_id = service.account(login, PASSWORD, ["auditor"])
    first, second = (service.client(service.sign_in(login, PASSWORD).token) for _ in range(2))
    for _ in range(MOST_SESSIONS - 2):
        execute(
            service.settings,
            "INSERT INTO tokens (id, token_hash, account_id, created_at) VALUES (%s, %s, %s, now())",
            new_id(), new_id().bytes, account_id,
        )  # fmt: skip
    assert first.get("/api/v1/callers/me").status_code == 200
    service.sign_in(login, PASSWORD)
    assert first.get("/api/v1/callers/me").status_code == 401
    sessions = second.get("/api/v1/sessions").json()
    assert len(sessions) == MOST_SESSIONS
    assert [session["current"] for session in sessions].count(True) == 1


def test_a_stolen_session_ends_when_its_owner_ends_all(service: Running) -> None:
    login = f"u{new_id().hex}"
    service.account(login, PASSWORD, ["auditor"])
    stolen, own = (service.client(service.sign_in(login, PASSWORD).token) for _ in range(2))
    assert own.delete("/api/v1/sessions").status_code == 204
    assert {client.get("/api/v1/callers/me").status_code for client in (stolen, own)} == {401}
    problem_of(service.agent_client("SES").get("/api/v1/sessions"), 403)


def test_a_session_that_nobody_uses_ends(service: Running) -> None:
    account_id, token = token_of_person(service.settings, ["auditor"])
    client, unused = service.client(token), "UPDATE tokens SET used_at = %s WHERE account_id = %s"
    assert client.get("/api/v1/callers/me").status_code == 200
    now = datetime.now(UTC)
    execute(service.settings, unused, now - timedelta(minutes=200), account_id)
    assert client.get("/api/v1/callers/me").status_code == 200
    # It was used now, which counts from here.
    noted = execute(service.settings, "SELECT used_at FROM tokens WHERE account_id = %s", account_id)
    assert noted[0][0] >= now
    execute(service.settings, unused, now - timedelta(minutes=241), account_id)
    assert client.get("/api/v1/callers/me").status_code == 401


def test_a_workstation_gives_its_code_to_no_unprotected_service(tmp_path: Path) -> None:
    """Nothing is sent: the address is one that leads nowhere (RFC 5737)."""
    words = ["--state", str(tmp_path), "enrol", "http://192.0.2.1:1", "ABCDE-ABCDE", "--name", "ws-1"]
    refused = CliRunner().invoke(app, words)
    assert refused.exit_code != 0
    assert "without protection" in str(refused.exception)
    assert not (tmp_path / "enrolling").exists()

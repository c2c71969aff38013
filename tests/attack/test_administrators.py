"""One administrator is not everybody: what he may not do alone, and what is seen of what he did.

OWASP ASVS 5.0 V8.2 and V6.4 (from memory): rights are not raised by who holds them, an administrator neither
chooses nor knows a user's lasting password; CWE-269, CWE-266. NIST SP 800-53 AC-5 (from memory): two persons.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any
from uuid import UUID

import httpx
import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.access.rules import GUARDED, Role, needs_second, within
from service.contract.wire import new_id
from service.settings import Settings
from tests.commands.in_process import sightledger
from tests.http.problems import problem_of
from tests.live_service import Running, execute, make_site, running_service, token_of_person

PASSWORD, ONE_TIME = "correct horse battery", "a password for once"
NAMES = st.sets(st.sampled_from(["A", "B", "C"]))
SITES = st.none() | NAMES
ROLES = st.sets(st.sampled_from(list(Role)))


@dataclass
class Person:
    id: UUID
    client: httpx.Client


@pytest.fixture(scope="module")
def alone(
    service_settings: Settings, module_database_url: str, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Running]:
    """A service whose database has no administrators but those of a test."""
    settings = msgspec.structs.replace(service_settings, database_url=module_database_url)
    with running_service(settings, tmp_path_factory.mktemp("alone")) as running:
        yield running


@pytest.fixture
def attacked(alone: Running) -> Running:
    execute(alone.settings, "UPDATE accounts SET closed_at = now() WHERE closed_at IS NULL")
    make_site(alone.settings, "ONE")
    make_site(alone.settings, "TWO")
    return alone


def person(service: Running, *roles: str, sites: list[str] | None = None) -> Person:
    account_id, token = token_of_person(service.settings, roles, sites)
    return Person(account_id, service.client(token))


def content(service: Running, account_id: UUID) -> dict[str, Any]:
    (row,) = execute(
        service.settings, "SELECT login, name, roles, sites FROM accounts WHERE id = %s", account_id
    )
    return dict(zip(("login", "name", "roles", "sites"), row, strict=True))


def put(by: Person, service: Running, account_id: UUID, **change: Any) -> httpx.Response:
    tag = by.client.get(f"/api/v1/accounts/{account_id}").headers["ETag"]
    body = {**content(service, account_id), **change}
    return by.client.put(f"/api/v1/accounts/{account_id}", json=body, headers={"If-Match": tag})


def proposed(by: Person, account_id: UUID, *roles: str, **more: Any) -> tuple[UUID, httpx.Response]:
    key = new_id()
    body = {"account": str(account_id), "roles": roles, "sites": None, **more}
    return key, by.client.put(f"/api/v1/account-proposals/{key}", json=body)


def decided(by: Person, proposal: UUID, decision: str) -> httpx.Response:
    path = f"/api/v1/account-proposals/{proposal}/decision"
    return by.client.post(path, json={"decision": decision})


def test_nobody_gives_himself_roles_or_sites_or_a_password(attacked: Running) -> None:
    first, second = (person(attacked, "administrator", sites=["ONE", "TWO"]) for _ in range(2))
    for change in ({"roles": list(Role)}, {"roles": ["administrator", "engineer"]}, {"sites": ["ONE"]}):
        problem_of(put(first, attacked, first.id, **change), 403)
    problem_of(put(first, attacked, first.id, password=ONE_TIME), 403)
    problem_of(proposed(first, first.id, *Role, sites=["ONE"])[1], 403)
    key, answer = proposed(second, first.id, "administrator", "approver", sites=["ONE"])
    assert answer.status_code == 200
    problem_of(decided(first, key, "confirmed"), 403)
    assert content(attacked, first.id)["roles"] == ["administrator"]


@pytest.mark.parametrize("role", sorted(GUARDED))
def test_one_administrator_invents_no_approver_and_no_administrator(attacked: Running, role: str) -> None:
    lone = person(attacked, "administrator")
    new = {"login": f"u{new_id().hex}", "name": "Invented", "sites": None, "password": PASSWORD}
    problem_of(lone.client.put(f"/api/v1/accounts/{new_id()}", json={**new, "roles": [role]}), 403)
    victim = person(attacked, "engineer")
    problem_of(put(lone, attacked, victim.id, roles=["engineer", role]), 403)
    local = person(attacked, role, sites=["ONE"])
    problem_of(put(lone, attacked, local.id, sites=None), 403)
    problem_of(put(lone, attacked, local.id, password=ONE_TIME), 403)
    key, answer = proposed(lone, victim.id, "engineer", role)
    assert (answer.status_code, answer.json()["decision"]) == (200, None)
    problem_of(decided(lone, key, "confirmed"), 403)
    assert content(attacked, victim.id)["roles"] == ["engineer"]


def test_what_two_administrators_agree_on_takes_effect_and_is_recorded(attacked: Running) -> None:
    first, second = (person(attacked, "administrator") for _ in range(2))
    other, plain = person(attacked, "administrator", sites=["ONE"]), person(attacked, "engineer")
    key, answer = proposed(first, plain.id, "approver", "engineer")
    assert answer.json()["rolesBefore"] == ["engineer"]
    problem_of(decided(other, key, "confirmed"), 403)
    problem_of(decided(plain, key, "confirmed"), 403)
    done = decided(second, key, "confirmed")
    assert done.json()["decision"] == "confirmed"
    assert decided(second, key, "confirmed").content == done.content
    problem_of(decided(first, key, "withdrawn"), 409)
    assert content(attacked, plain.id)["roles"] == ["approver", "engineer"]
    listed = second.client.get("/api/v1/account-proposals").json()["items"]
    assert [item["id"] for item in listed if item["id"] == str(key)] == [str(key)]
    assert not other.client.get("/api/v1/account-proposals").json()["items"]
    noted = "SELECT kind, by_account_id FROM access_events WHERE account_id = %s ORDER BY at"
    assert execute(attacked.settings, noted, plain.id) == [
        ("change_proposed", first.id), ("change_confirmed", second.id),
    ]  # fmt: skip


def test_a_proposal_is_refused_or_withdrawn_and_binds_to_what_was_seen(attacked: Running) -> None:
    first, second = (person(attacked, "administrator") for _ in range(2))
    plain = person(attacked, "engineer")
    key, answer = proposed(first, plain.id, "approver")
    body = {"account": str(plain.id), "roles": ["approver"], "sites": None}
    assert first.client.put(f"/api/v1/account-proposals/{key}", json=body).content == answer.content
    other = {**body, "roles": ["administrator"]}
    problem_of(first.client.put(f"/api/v1/account-proposals/{key}", json=other), 409)
    problem_of(decided(second, key, "withdrawn"), 403)
    assert decided(second, key, "refused").json()["decidedBy"] is not None
    problem_of(decided(second, key, "confirmed"), 409)
    key = proposed(first, plain.id, "approver")[0]
    assert decided(first, key, "withdrawn").json()["decision"] == "withdrawn"
    changed, late = (proposed(first, plain.id, role)[0] for role in ("approver", "administrator"))
    assert put(second, attacked, plain.id, roles=["auditor"]).status_code == 200
    problem_of(decided(second, changed, "confirmed"), 409)
    execute(attacked.settings, "UPDATE accounts SET roles = '{engineer}' WHERE id = %s", plain.id)
    assert second.client.delete(f"/api/v1/accounts/{first.id}").status_code == 200
    problem_of(decided(second, late, "confirmed"), 409)


def test_a_reset_password_is_good_for_setting_another_and_tells_who_reset_it(attacked: Running) -> None:
    administrator, login = person(attacked, "administrator"), f"u{new_id().hex}"
    account_id = attacked.account(login, PASSWORD, ["engineer"])
    before = attacked.client(attacked.sign_in(login, PASSWORD).token)
    assert put(administrator, attacked, account_id, password=ONE_TIME).json()["resetAt"]
    assert before.get("/api/v1/callers/me").status_code == 401
    signed_in = attacked.sign_in(login, ONE_TIME)
    assert signed_in.password_reset is not None
    (name,) = execute(attacked.settings, "SELECT name FROM accounts WHERE id = %s", administrator.id)[0]
    assert signed_in.password_reset.by == name
    engineer = attacked.client(signed_in.token)
    refused = problem_of(engineer.get("/api/v1/units"), 403)
    assert refused["type"].endswith("password-reset")
    assert name in refused["detail"]
    browser = attacked.client(cookies={"sightledger_session": signed_in.token})
    led = browser.get("/units", headers={"Accept": "text/html"})
    assert (led.status_code, led.headers["Location"]) == (303, "/new-password")
    assert name in browser.get("/new-password", headers={"Accept": "text/html"}).text
    path = f"/api/v1/accounts/{account_id}/password"
    assert engineer.put(path, json={"current": ONE_TIME, "new": ONE_TIME}).status_code == 422
    form = {"current": ONE_TIME, "new": "one of her own"}
    sent = browser.post("/new-password", data=form, headers={"Sec-Fetch-Site": "same-origin"})
    assert (sent.status_code, sent.headers["Location"]) == (303, "/")
    assert engineer.get("/api/v1/units").status_code == 200
    assert attacked.sign_in(login, "one of her own").password_reset is None


def test_the_password_of_an_approver_is_reset_by_two(attacked: Running) -> None:
    first, second = (person(attacked, "administrator") for _ in range(2))
    login = f"u{new_id().hex}"
    account_id = attacked.account(login, PASSWORD, ["approver"])
    problem_of(put(first, attacked, account_id, password=ONE_TIME), 403)
    key, answer = proposed(first, account_id, "approver", password=ONE_TIME)
    assert answer.json()["newPassword"] is True
    assert attacked.sign_in(login, PASSWORD).password_reset is None
    assert decided(second, key, "confirmed").status_code == 200
    assert attacked.sign_in(login, ONE_TIME).password_reset is not None


def test_the_last_administrator_stays(attacked: Running) -> None:
    last = person(attacked, "administrator")
    local = person(attacked, "administrator", sites=["ONE"])
    problem_of(last.client.delete(f"/api/v1/accounts/{last.id}"), 409)
    login = content(attacked, last.id)["login"]
    assert sightledger(attacked.settings, "account", "close", login).returncode == 1
    _, answer = proposed(local, last.id, "auditor", sites=["ONE"])
    assert answer.status_code == 403
    second = person(attacked, "administrator")
    assert second.client.delete(f"/api/v1/accounts/{last.id}").status_code == 200
    problem_of(second.client.delete(f"/api/v1/accounts/{second.id}"), 409)


def test_the_servers_shell_makes_administrators_until_there_are_two(attacked: Running) -> None:
    def add(role: str) -> int:
        words = ("account", "add", f"u{new_id().hex}", "--name", "U", "--role", role, "--password-stdin")
        return sightledger(attacked.settings, *words, stdin="a long password\n").returncode

    assert [add(role) for role in ("approver", "administrator", "administrator")] == [0, 0, 0]
    assert [add(role) for role in ("approver", "administrator", "engineer")] == [1, 1, 0]
    made = "SELECT count(*) FROM access_events WHERE kind = 'account_made' AND by_account_id IS NULL"
    assert execute(attacked.settings, made)[0][0] >= 4


def test_two_administrators_agree_at_the_command_line(attacked: Running) -> None:
    logins = [f"u{new_id().hex}" for _ in range(3)]
    for login, role in zip(logins, ("administrator", "administrator", "engineer"), strict=True):
        attacked.account(login, PASSWORD, [role])
    first, second, third = logins

    def command(verb: str, *words: str, by: str) -> tuple[int, str]:
        as_ = ("--as", by, "--password-stdin")
        done = sightledger(attacked.settings, "account", verb, *words, *as_, stdin=PASSWORD + "\n")
        return done.returncode, done.stdout + done.stderr

    status, told = command("propose", third, "--role", "approver", by=first)
    assert (status, "not decided" in told) == (0, True)
    key = told.split()[0]
    assert key in command("proposals", by=second)[1]
    assert command("confirm", key, by=first)[0] == 1
    assert command("refuse", "no-id", by=second)[0] == 1
    assert command("confirm", key, by=second)[0] == 0
    assert command("withdraw", key, by=first)[0] == 1
    assert attacked.sign_in(third, PASSWORD).roles == ["approver"]


@given(ROLES, SITES, ROLES, SITES)
def test_a_change_that_gives_no_guarded_right_needs_nobody_else(
    roles_before: set[Role], before: set[str] | None, roles: set[Role], sites: set[str] | None
) -> None:
    """Held against the rights written out: each guarded role at each site, "every site" being one more."""

    def rights(held: set[Role], where: set[str] | None) -> set[tuple[Role, str]]:
        at = {"A", "B", "C", "every other site"} if where is None else where
        return {(role, site) for role in held & GUARDED for site in at}

    if rights(roles, sites) - rights(roles_before, before):
        assert needs_second(roles_before, before, roles, sites)
    assert not needs_second(roles_before, before, roles_before, before)
    assert not needs_second(roles_before, before, roles - GUARDED, sites)


@given(SITES, SITES, SITES)
def test_reach_is_an_order(one: set[str] | None, other: set[str] | None, third: set[str] | None) -> None:
    assert within(one, one)
    assert within(one, None)
    if within(one, other) and within(other, third):
        assert within(one, third)
    if within(one, other) and within(other, one):
        assert one == other

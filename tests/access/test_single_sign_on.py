"""Sign-in by OpenID Connect against a certified provider: who gets in, with what rights, and who does not."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from joserfc.jwk import ECKey

from deploy.embedded.ports import free_port
from service.access.auth import SESSION_COOKIE
from service.identity.provider import KEYS_AGAIN_S
from service.settings import Settings
from tests.access.identity_provider import (
    RunningProvider,
    answered,
    issuer_at,
    needs_node,
    new_key,
    running_provider,
    signed_on,
    with_provider,
)
from tests.commands.own_process import sightledger
from tests.live_service import Running, execute, running_service

pytestmark = needs_node


@pytest.fixture(scope="module")
def both(
    service_settings: Settings, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Running, RunningProvider]]:
    with signed_on(service_settings, tmp_path_factory.mktemp("single-sign-on")) as running:
        yield running


@pytest.fixture
def service(both: tuple[Running, RunningProvider]) -> Running:
    return both[0]


@pytest.fixture
def provider(both: tuple[Running, RunningProvider]) -> RunningProvider:
    return both[1]


def browser(service: Running) -> httpx.Client:
    client = service.client()
    client.headers["Accept"] = "text/html"
    return client


def sign_in(service: Running, subject: str, back: str = "/") -> tuple[httpx.Client, httpx.Response]:
    """A browser that went the whole way, and the service's answer to it."""
    client = browser(service)
    begun = client.get("/sign-in/provider", params={"next": back})
    assert begun.status_code == 303, begun.text
    onward = answered(client, begun.headers["location"], subject)
    return client, client.get(onward)


def rights(client: httpx.Client) -> dict[str, Any]:
    answer = client.get("/api/v1/callers/me", headers={"Accept": "application/json"})
    answer.raise_for_status()
    told: dict[str, Any] = answer.json()
    return told


def events(service: Running, account_id: str) -> list[tuple[str, Any]]:
    rows = execute(
        service.settings,
        "SELECT kind, detail FROM access_events WHERE account_id = %s ORDER BY at, id",
        account_id,
    )
    return [(kind, detail) for kind, detail in rows]


def test_the_first_sign_in_makes_the_account_with_the_rights_of_its_groups(
    service: Running, provider: RunningProvider
) -> None:
    client, answer = sign_in(service, "mara", "/units?find=1")
    assert (answer.status_code, answer.headers["location"]) == (303, "/units?find=1")
    me = rights(client)
    assert (me["name"], me["roles"], me["sites"]) == ("Mara Example", ["inspector"], ["SSO-WEST"])
    made, signed_in = events(service, me["id"])[:2]
    assert made[0] == "account_made"
    assert made[1]["single_sign_on"] == {"issuer": provider.issuer, "subject": "mara"}
    assert (made[1]["roles"], made[1]["sites"]) == (["inspector"], ["SSO-WEST"])
    assert signed_in == ("signed_in", {"by": "single sign-on"})


def test_the_next_sign_in_finds_the_same_account_and_says_nothing_of_a_change(
    service: Running, provider: RunningProvider
) -> None:
    first, second = (rights(sign_in(service, "otto")[0]) for _ in range(2))
    assert first == second
    assert (first["roles"], first["sites"]) == (["approver"], None)
    assert "account_changed" not in dict(events(service, first["id"]))


def test_a_changed_group_changes_roles_and_sites_and_ends_the_sessions_that_had_more(
    service: Running, provider: RunningProvider
) -> None:
    earlier, _ = sign_in(service, "mara")
    account_id = rights(earlier)["id"]
    provider.knows("mara", name="Mara Example-Neu", groups=["leads", "at-west", "at-east"])
    more, _ = sign_in(service, "mara")
    assert rights(more)["roles"] == ["inspector", "shift_lead"]
    assert rights(more)["sites"] == ["SSO-EAST", "SSO-WEST"]
    assert rights(more)["name"] == "Mara Example-Neu"
    assert rights(earlier)["roles"] == ["inspector", "shift_lead"], "whoever lost nothing stays signed in"
    provider.knows("mara", name="Mara Example-Neu", groups=["plant-inspectors", "at-east"])
    less, _ = sign_in(service, "mara")
    assert (rights(less)["roles"], rights(less)["sites"]) == (["inspector"], ["SSO-EAST"])
    for ended in (earlier, more):
        assert ended.get("/").status_code == 303
    changes = [detail for kind, detail in events(service, account_id) if kind == "account_changed"]
    assert changes[-1]["roles"] == ["inspector"]
    assert changes[-1]["single_sign_on"] == {"issuer": provider.issuer}


def test_a_person_without_a_mapped_group_is_refused_in_words_and_gets_no_account(
    service: Running, provider: RunningProvider
) -> None:
    client, answer = sign_in(service, "nora")
    assert answer.status_code == 403
    assert "knows you as Nora Example, but none of your groups there gives you a role here" in answer.text
    assert SESSION_COOKIE not in client.cookies
    assert execute(service.settings, "SELECT * FROM identities WHERE subject = 'nora'") == []


@pytest.mark.parametrize("groups", [["plant-inspectors"], ["plant-inspectors", "nowhere"]])
def test_a_role_without_a_site_that_there_is_gives_nothing(
    service: Running, provider: RunningProvider, groups: list[str]
) -> None:
    provider.knows("nora", name="Nora Example", groups=groups)
    _, answer = sign_in(service, "nora")
    assert answer.status_code == 403
    assert "none of your groups there gives you a site here" in answer.text


def test_whoever_loses_every_group_loses_rights_and_sessions_though_he_is_refused(
    service: Running, provider: RunningProvider
) -> None:
    provider.knows("gone", name="Gone Example", groups=["leads", "everywhere"])
    client, _ = sign_in(service, "gone")
    account_id = rights(client)["id"]
    provider.knows("gone", name="Gone Example")
    assert sign_in(service, "gone")[1].status_code == 403
    assert client.get("/").status_code == 303
    kept = execute(service.settings, "SELECT roles, sites FROM accounts WHERE id = %s", account_id)
    assert kept == [([], [])]


def test_groups_are_found_in_the_id_token_as_well_as_in_userinfo(
    service: Running, provider: RunningProvider
) -> None:
    provider.in_id_token = True
    provider.restart()
    try:
        client, answer = sign_in(service, "otto")
        assert answer.status_code == 303
        assert rights(client)["roles"] == ["approver"]
    finally:
        provider.in_id_token = False
        provider.restart()


def test_a_new_key_of_the_provider_is_fetched_when_a_token_names_it(
    service: Running, provider: RunningProvider
) -> None:
    assert sign_in(service, "otto")[1].status_code == 303
    provider.key = new_key()
    provider.restart()
    time.sleep(KEYS_AGAIN_S)
    assert sign_in(service, "otto")[1].status_code == 303


def test_an_account_of_the_provider_is_changed_there_and_closed_here(
    service: Running, provider: RunningProvider
) -> None:
    provider.knows("paul", name="Paul Example", groups=["plant-inspectors", "at-west"])
    client, _ = sign_in(service, "paul")
    account_id = rights(client)["id"]
    administrator = service.client_for(["administrator"])
    address = f"/api/v1/accounts/{account_id}"
    found = administrator.get(address)
    body = {name: found.json()[name] for name in ("login", "name", "sites")}
    changed = administrator.put(
        address, json={**body, "roles": ["administrator"]}, headers={"If-Match": found.headers["etag"]}
    )
    assert changed.status_code == 409
    assert changed.json()["detail"] == "The identity provider keeps the account of Paul Example."
    assert administrator.delete(address).status_code == 200
    assert client.get("/").status_code == 303
    _, answer = sign_in(service, "paul")
    assert answer.status_code == 403
    assert "The account of Paul Example is closed here." in answer.text


def test_a_provider_that_is_down_is_told_in_words_and_passwords_still_open(
    service: Running, tmp_path: Path
) -> None:
    login = "local-while-down"
    service.account(login, "a password of the tests", ["auditor"])
    settings = with_provider(service.settings, tmp_path, issuer_at(free_port()))
    with running_service(settings, tmp_path) as lonely:
        answer = browser(lonely).get("/sign-in/provider", params={"next": "/units"})
        assert answer.status_code == 503
        assert "does not answer as it should" in answer.text
        assert "nothing was changed" in answer.text
        form = {"login": login, "password": "a password of the tests", "next": "/units"}
        answer = browser(lonely).post("/sign-in", data=form, headers={"Origin": lonely.url})
        assert (answer.status_code, answer.headers["location"]) == (303, "/units")


def test_with_local_accounts_off_no_password_opens_and_the_operators_code_does_once(
    service: Running, tmp_path: Path
) -> None:
    login = "local-that-is-off"
    service.account(login, "a password of the tests", ["auditor"])
    settings = with_provider(service.settings, tmp_path, issuer_at(free_port()), local_accounts="no")
    with running_service(settings, tmp_path) as closed:
        form = {"login": login, "password": "a password of the tests"}
        page = browser(closed).post("/sign-in", data=form, headers={"Origin": closed.url})
        assert page.status_code == 403
        assert "Nobody signs in with a password here." in page.text
        assert 'name="password"' not in page.text
        api = closed.client().post("/api/v1/sessions", json=form)
        assert (api.status_code, api.json()["detail"]) == (403, "Nobody signs in with a password here.")

        listed = sightledger(closed.settings, "account", "list")
        assert f"{login}\tLocal-That-Is-Off\tauditor\t*" in listed.stdout.splitlines()
        code = sightledger(closed.settings, "account", "let-in", login, "--reason", "The provider is down.")
        assert code.returncode == 0, code.stderr
        tries = [
            browser(closed).post(
                "/sign-in/code", data={"code": code.stdout.strip()}, headers={"Origin": closed.url}
            )
            for _ in range(2)
        ]
        assert [answer.status_code for answer in tries] == [303, 401]
        assert closed.client(tries[0].cookies[SESSION_COOKIE]).get("/api/v1/callers/me").status_code == 200
        kinds = execute(
            closed.settings,
            "SELECT e.kind, e.detail FROM access_events e JOIN accounts a ON a.id = e.account_id "
            "WHERE a.login = %s AND e.kind IN ('let_in', 'signed_in') ORDER BY e.at",
            login,
        )
        assert kinds == [
            ("let_in", {"reason": "The provider is down."}),
            ("signed_in", {"by": "a code of the operator"}),
        ]


def test_the_provider_ends_the_sessions_that_it_says_have_ended(
    service: Running, provider: RunningProvider
) -> None:
    client, _ = sign_in(service, "otto")
    assert client.get("/").status_code == 200
    out = client.post("/sign-out", headers={"Origin": service.url})
    assert out.status_code == 200
    assert "You are signed out here" in out.text
    assert client.get("/").status_code == 303
    # Each of two browsers has a session of its own at the provider, and ends its own there.
    staying, _ = sign_in(service, "otto")
    going, _ = sign_in(service, "otto")
    onward = f"{provider.issuer}/session/end"
    asked = going.get(onward)
    xsrf = asked.text.split('name="xsrf" value="')[1].split('"')[0]
    done = going.post(f"{onward}/confirm", data={"xsrf": xsrf, "logout": "yes"})
    assert done.status_code < 400, done.text
    assert going.get("/").status_code == 303
    assert staying.get("/").status_code == 200


def test_a_code_that_was_stolen_opens_nothing_in_another_browser(
    service: Running, provider: RunningProvider
) -> None:
    """RFC 7636 1: the provider finds that the verifier is not the one of the challenge."""
    victim, thief = browser(service), browser(service)
    begun = victim.get("/sign-in/provider")
    stolen = answered(victim, begun.headers["location"], "otto")
    state = httpx.URL(thief.get("/sign-in/provider").headers["location"]).params["state"]
    answer = thief.get(stolen.copy_merge_params({"state": state}))
    assert answer.status_code == 401
    assert "refused the sign-in (invalid_grant)" in answer.text
    assert SESSION_COOKIE not in thief.cookies


def test_the_service_proves_itself_with_a_private_key_where_it_has_one(
    service: Running, provider: RunningProvider, tmp_path: Path
) -> None:
    """private_key_jwt, OpenID Connect Core 1.0 9 (from memory)."""
    key = ECKey.generate_key("P-256", private=True)
    path = tmp_path / "client.pem"
    path.write_bytes(key.as_pem(private=True))
    port = free_port()
    known = {"sso_client_secret": "", "sso_client_key_file": str(path)}
    settings = with_provider(service.settings, tmp_path, issuer_at(port), **known)
    with (
        running_service(settings, tmp_path) as proving,
        running_provider(tmp_path, proving.url, port, key.as_dict(private=False)),
    ):
        client, answer = sign_in(proving, "otto")
        assert answer.status_code == 303, answer.text
        assert rights(client)["name"] == "Otto Example"

"""One-time codes: used once, also by two at the same instant, and not after their time."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
import psycopg

from service.contract.wire import new_id
from tests.live_service import Running, driver_url, execute, make_site


def code_for(service: Running, site: str) -> str:
    make_site(service.settings, site)
    answer = service.client_for(["administrator"]).post("/api/v1/enrolment-codes", json={"site": site})
    assert answer.status_code == 201, answer.text
    code: str = answer.json()["code"]
    return code


def enrol(service: Running, body: dict[str, Any]) -> httpx.Response:
    return service.client().post("/api/v1/agents", json=body)


def wanted(code: str) -> dict[str, Any]:
    return {"id": str(new_id()), "code": code, "name": "bench-1", "platform": "Windows 11", "version": "1.0"}


def a_site() -> str:
    return f"S{new_id().hex[-8:]}"


def test_an_enrolled_agent_gets_its_site_its_token_and_the_receipt_keys(service: Running) -> None:
    site = a_site()
    answer = enrol(service, wanted(code_for(service, site)))
    assert answer.status_code == 201
    assert answer.json()["site"] == site
    assert answer.json()["timeZone"] == "Europe/Dublin"
    assert answer.json()["keys"] == service.client().get("/api/v1/keys").json()
    me = service.client(answer.json()["token"]).get("/api/v1/callers/me").json()
    assert (me["agent"], me["sites"]) == (True, [site])


def test_a_code_serves_one_workstation(service: Running) -> None:
    code = code_for(service, a_site())
    assert enrol(service, wanted(code)).status_code == 201
    second = enrol(service, wanted(code))
    assert second.status_code == 403
    assert "used by another workstation" in second.json()["detail"]


def test_i8_the_same_enrolment_again_gives_a_token_that_works(service: Running) -> None:
    body = wanted(code_for(service, a_site()))
    first, again = enrol(service, body).json(), enrol(service, body).json()
    assert {**first, "token": ""} == {**again, "token": ""}
    assert service.client(again["token"]).get("/api/v1/callers/me").status_code == 200
    # The first answer was lost, or else somebody else has it: it no longer counts.
    assert service.client(first["token"]).get("/api/v1/callers/me").status_code == 401
    assert enrol(service, {**body, "name": "bench-2"}).status_code == 409


def test_a_code_is_spent_once_its_agent_works(service: Running) -> None:
    body = wanted(code_for(service, a_site()))
    token = enrol(service, body).json()["token"]
    report = {
        "version": "1",
        "platform": "test",
        "clock": "2026-01-01T00:00:00Z",
        "heldRevisions": [],
        "queuedFiles": 0,
        "queuedBytes": 0,
        "spoolFreeBytes": 0,
    }
    client = service.client(token)
    assert client.put(f"/api/v1/agents/{body['id']}/report", json=report).status_code == 200
    assert enrol(service, body).status_code == 403
    assert client.get("/api/v1/callers/me").status_code == 200


def test_an_expired_or_unknown_code_is_refused_and_nothing_is_written(service: Running) -> None:
    body = wanted(code_for(service, a_site()))
    expire = "UPDATE enrolment_codes SET expires_at = now() WHERE code_hash = sha256(convert_to(%s, 'UTF8'))"
    execute(service.settings, expire, body["code"].replace("-", ""))
    expired = enrol(service, body)
    assert expired.status_code == 403
    assert "expired" in expired.json()["detail"]
    assert enrol(service, {**body, "code": "00000-00000"}).status_code == 403
    assert enrol(service, {**body, "code": "short"}).status_code == 400
    assert execute(service.settings, "SELECT count(*) FROM agents WHERE id = %s", body["id"]) == [(0,)]


def test_an_id_that_is_taken_is_refused_and_the_code_stays_good(service: Running) -> None:
    taken = wanted(code_for(service, a_site()))
    enrol(service, taken)
    body = {**taken, "code": code_for(service, a_site())}
    assert enrol(service, body).status_code == 409
    assert enrol(service, {**body, "id": str(new_id())}).status_code == 201


def test_two_that_enrol_at_once_with_one_code_make_one_agent(service: Running) -> None:
    for _ in range(5):
        code = code_for(service, a_site())
        bodies = [wanted(code) for _ in range(4)]
        with ThreadPoolExecutor(4) as pool:
            answers = list(pool.map(lambda body: enrol(service, body), bodies))
        assert sorted(answer.status_code for answer in answers) == [201, 403, 403, 403]
        with psycopg.connect(driver_url(service.settings)) as connection:
            ids = [body["id"] for body in bodies]
            found = connection.execute(
                "SELECT count(*) FROM agents WHERE id = ANY(%s::uuid[])", (ids,)
            ).fetchone()
        assert found == (1,)


def test_i8_the_same_enrolment_sent_at_once_leaves_one_token(service: Running) -> None:
    body = wanted(code_for(service, a_site()))
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda _: enrol(service, body), range(4)))
    assert {answer.status_code for answer in answers} == {201}
    with psycopg.connect(driver_url(service.settings)) as connection:
        found = connection.execute(
            "SELECT count(*) FROM tokens WHERE agent_id = %s AND revoked_at IS NULL", (body["id"],)
        ).fetchone()
    assert found == (1,)


def test_agents_come_in_keyset_pages(service: Running) -> None:
    site = a_site()
    for number in range(5):
        service.enrol(site, f"bench-{number}")
    client, path, seen = service.client_for(["manager"], [site]), "/api/v1/agents?limit=2", []
    while path:
        answer = client.get(path)
        seen += [agent["name"] for agent in answer.json()["items"]]
        path = str(answer.links["next"]["url"]) if "next" in answer.links else ""
    assert seen == [f"bench-{number}" for number in range(5)]

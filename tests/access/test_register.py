"""The register of a site's people, in whose name an agent may state something."""

from __future__ import annotations

import pytest

from service.contract.wire import new_id
from tests.live_service import Running, make_site


@pytest.fixture(scope="module")
def site(service: Running) -> str:
    code = f"R{new_id().hex[-8:]}"
    make_site(service.settings, code)
    return code


def test_people_are_entered_changed_with_what_was_read_and_reach_the_worklist(
    service: Running, site: str
) -> None:
    admin, address = service.client_for(["administrator"], [site]), f"/api/v1/sites/{site}/people"
    assert admin.get(address).json() == {"names": []}
    first = admin.put(address, json={"names": ["B. Tarrant", "A. Marrow"]})
    assert first.status_code == 200, first.text
    assert first.json() == {"names": ["A. Marrow", "B. Tarrant"]}
    assert admin.put(address, json={"names": ["A. Marrow", "B. Tarrant"]}).status_code == 200
    changed = {"names": ["A. Marrow", "C. Voss"]}
    assert admin.put(address, json=changed).status_code == 428
    stale = admin.put(address, json=changed, headers={"If-Match": '"other"'})
    assert stale.status_code == 412
    done = admin.put(address, json=changed, headers={"If-Match": first.headers["ETag"]})
    assert done.json() == changed
    back = admin.put(
        address, json={"names": ["B. Tarrant", *changed["names"]]}, headers={"If-Match": done.headers["ETag"]}
    )
    assert back.json() == {"names": ["A. Marrow", "B. Tarrant", "C. Voss"]}
    worklist = admin.get(f"/api/v1/sites/{site}/worklist").json()
    assert set(back.json()["names"]) <= set(worklist["people"])


@pytest.mark.parametrize(
    "names",
    [["A. Marrow", "a. marrow"], ["A. Marrow", "A.  Marrow"], ["Jos\u00e9", "Jose\u0301"], ["A\u200bB"]],
)
def test_names_that_a_person_could_not_tell_apart_are_refused(
    service: Running, site: str, names: list[str]
) -> None:
    admin = service.client_for(["administrator"])
    before = admin.get(f"/api/v1/sites/{site}/people")
    headers = {"If-Match": before.headers["ETag"]}
    answer = admin.put(f"/api/v1/sites/{site}/people", json={"names": names}, headers=headers)
    assert answer.status_code == 422, answer.text
    assert admin.get(f"/api/v1/sites/{site}/people").json() == before.json()


@pytest.mark.parametrize("name", ["", " A. Marrow", "A. Marrow ", "A\nB", "x" * 201])
def test_a_name_is_one_line_without_space_around_it(service: Running, site: str, name: str) -> None:
    admin = service.client_for(["administrator"])
    assert admin.put(f"/api/v1/sites/{site}/people", json={"names": [name]}).status_code == 400


def test_only_an_administrator_of_the_site_keeps_its_register(service: Running, site: str) -> None:
    address, body = f"/api/v1/sites/{site}/people", {"names": ["D. Nobody"]}
    for roles, sites in ((["shift_lead"], [site]), (["administrator"], [make_other(service)])):
        assert service.client_for(roles, sites).put(address, json=body).status_code == 403
    assert "D. Nobody" not in service.client_for(["auditor"]).get(address).json()["names"]
    missing = service.client_for(["administrator"]).put("/api/v1/sites/NOWHERE/people", json=body)
    assert missing.status_code == 404


def make_other(service: Running) -> str:
    code = f"R{new_id().hex[-8:]}"
    make_site(service.settings, code)
    return code

"""Campaigns over HTTP against the running service."""

from __future__ import annotations

from datetime import UTC, datetime

import httpx
import msgspec
import pytest

from service.contract.campaigns import Completion, InspectionDetail
from service.contract.wire import new_id
from service.contract.work import Worklist
from service.database import Database
from tests import factories
from tests.live_service import Running

pytestmark = pytest.mark.anyio


class Opened:
    """A campaign over three units of the first site and one of the second, and people for it."""

    def __init__(self, service: Running, made: factories.Fleet, here: list[str], there: list[str]) -> None:
        self.service, self.made, self.here, self.there = service, made, here, there
        self.id = new_id()
        self.path = f"/api/v1/campaigns/{self.id}"
        self.manager = service.client_for(["manager"])
        self.inspector = service.client_for(["inspector"], [made.site])
        self.body = {
            "name": f"Campaign {self.id}",
            "plan": made.plan,
            "opens": "2026-09-01",
            "closes": "2026-11-30",
            "units": here + there,
        }
        self.answer = self.manager.put(self.path, json=self.body)

    def inspection(self) -> str:
        first = self.inspector.get(f"{self.path}/inspections", params={"limit": 1}).json()["items"][0]
        return f"/api/v1/inspections/{first['id']}"


@pytest.fixture
async def opened(db: Database, service: Running) -> Opened:
    made = await factories.fleet(db)
    here = await factories.add_units(db, made, 3)
    return Opened(service, made, here, await factories.add_units(db, made, 1, site=made.other_site))


def statement(path: str, kind: str = "complete", locations: list[str] | None = None, **more) -> dict:
    inspection_id = path.rsplit("/", 1)[1]
    return {
        "id": str(new_id()),
        "inspectionId": inspection_id,
        "kind": kind,
        "locations": locations,
        **more,
    }


def refused(answer: httpx.Response, status: int) -> dict:
    """RFC 9457: the media type, and what happened, what it means and what to do."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"].startswith("application/problem+json")
    problem = answer.json()
    assert problem["status"] == status
    assert problem["detail"]
    assert problem["consequence"]
    return problem


async def test_i8_put_again_answers_the_same_and_other_content_409(opened: Opened):
    assert opened.answer.status_code == 200
    again = opened.manager.put(opened.path, json=opened.body)
    assert (again.json(), again.headers["etag"]) == (opened.answer.json(), opened.answer.headers["etag"])
    refused(opened.manager.put(opened.path, json={**opened.body, "closes": "2026-12-01"}), 409)


async def test_an_edit_goes_by_if_match(opened: Opened):
    etag = opened.manager.get(opened.path).headers["etag"]
    later = {**opened.body, "closes": "2026-12-01"}
    edited = opened.manager.put(opened.path, json=later, headers={"If-Match": etag})
    assert (edited.status_code, edited.json()["closes"], edited.json()["version"]) == (200, "2026-12-01", 2)
    third = {**opened.body, "closes": "2026-12-02"}
    refused(opened.manager.put(opened.path, json=third, headers={"If-Match": etag}), 412)
    refused(opened.manager.put(opened.path, json=third, headers={"If-Match": "no tag"}), 400)
    unknown = f"/api/v1/campaigns/{new_id()}"
    refused(opened.manager.put(unknown, json=third, headers={"If-Match": etag}), 404)


async def test_bad_bodies_are_refused_and_open_nothing(opened: Opened):
    path = f"/api/v1/campaigns/{new_id()}"
    body = {**opened.body, "name": "Other"}
    refused(opened.manager.put(path, json={**body, "surplus": 1}), 400)
    refused(opened.manager.put(path, json={**body, "opens": "soon"}), 400)
    refused(opened.manager.put(path, json={**body, "closes": "2026-01-01"}), 422)
    unknown = refused(opened.manager.put(path, json={**body, "units": ["no-such-unit"]}), 422)
    assert unknown["errors"][0]["path"] == "/units/0"
    refused(opened.manager.get(path), 404)


async def test_every_address_needs_a_caller_who_may(opened: Opened):
    nobody = opened.service.client()
    inspection = opened.inspection()
    for path in (
        "/api/v1/campaigns",
        opened.path,
        f"{opened.path}/inspections",
        inspection,
        f"{inspection}/statements",
        f"{inspection}/bindings/next",
        "/api/v1/completion",
        f"/api/v1/sites/{opened.made.site}/worklist",
    ):
        refused(nobody.get(path), 401)
        assert opened.inspector.get(path).status_code == 200
    refused(opened.inspector.put(f"/api/v1/campaigns/{new_id()}", json=opened.body), 403)
    refused(opened.inspector.put(f"{opened.path}/units", json={"units": opened.here}), 403)
    refused(opened.inspector.post(f"{opened.path}/closing"), 403)
    auditor = opened.service.client_for(["auditor"])
    refused(auditor.post(f"{inspection}/statements", json=statement(inspection)), 403)


async def test_another_sites_record_is_not_there_and_its_site_is_403_everywhere(opened: Opened):
    elsewhere = opened.service.client_for(["inspector", "shift_lead", "manager"], [opened.made.other_site])
    agent = opened.service.agent_client(opened.made.other_site)
    inspection, site = opened.inspection(), opened.made.site
    for client in (elsewhere, agent):
        for path in (inspection, f"{inspection}/statements", f"{inspection}/bindings/next"):
            refused(client.get(path), 404)
        for path in (
            f"{opened.path}/inspections?site={site}",
            f"/api/v1/completion?site={site}",
            f"/api/v1/sites/{site}/worklist",
        ):
            refused(client.get(path), 403)
        refused(client.post(f"{inspection}/statements", json=statement(inspection)), 404)
        listed = client.get(f"{opened.path}/inspections").json()["items"]
        assert [row["unit"] for row in listed] == opened.there
    refused(elsewhere.post(f"{opened.path}/closing"), 403)
    refused(elsewhere.put(f"{opened.path}/units", json={"units": opened.here}), 422)


async def test_pages_are_linked_as_rfc_8288_says(opened: Opened):
    client, seen = opened.manager, []
    path: str | None = f"{opened.path}/inspections?limit=3"
    while path is not None:
        answer = client.get(path)
        seen += [row["unit"] for row in answer.json()["items"]]
        path = answer.links["next"]["url"] if "next" in answer.links else None
    assert seen == sorted(opened.here + opened.there)
    refused(client.get(f"{opened.path}/inspections?cursor=wrong"), 400)
    refused(client.get(f"{opened.path}/inspections?state=wrong"), 400)
    assert client.get(f"{opened.path}/inspections?state=complete").json()["items"] == []


async def test_whole_unit_complete_then_reopened_and_the_roll_up_follows(opened: Opened):
    path = opened.inspection()
    whole = statement(path)
    made = opened.inspector.post(f"{path}/statements", json=whole)
    assert made.status_code == 200
    assert made.json()["statement"]["locations"] == ["A", "B", "C"]
    again = opened.inspector.post(f"{path}/statements", json=whole)
    assert again.json() == made.json()
    refused(opened.inspector.post(f"{path}/statements", json={**whole, "note": "other"}), 409)
    refused(opened.inspector.post(f"/api/v1/inspections/{new_id()}/statements", json=whole), 400)
    refused(opened.inspector.post(f"{path}/statements", json=statement(path, locations=["N"])), 422)

    def total() -> tuple[int, int, float | None]:
        answer = opened.manager.get(
            "/api/v1/completion",
            params={"campaign": str(opened.id), "site": opened.made.site, "type": opened.made.type_code},
        )
        found = msgspec.json.decode(answer.content, type=Completion)
        assert len(found.rows) == 1
        return found.total.complete, found.total.inspections_complete, found.total.share_complete

    assert total() == (3, 1, 3 / 9)
    back = statement(path, "reopened", ["B"], replaces=[whole["id"]])
    assert opened.inspector.post(f"{path}/statements", json=back).status_code == 200
    assert total() == (2, 0, 2 / 9)
    history = opened.inspector.get(f"{path}/statements").json()
    assert [(said["kind"], said["standsFor"]) for said in history] == [
        ("complete", ["A", "C"]),
        ("reopened", ["B"]),
    ]


async def test_an_inspection_is_read_again_only_when_it_changed(opened: Opened):
    path = opened.inspection()
    first = opened.inspector.get(path)
    held = {"If-None-Match": first.headers["etag"]}
    assert opened.inspector.get(path, headers=held).status_code == 304
    opened.inspector.post(f"{path}/statements", json=statement(path))
    changed = opened.inspector.get(path, headers=held)
    assert changed.status_code == 200
    assert msgspec.json.decode(changed.content, type=InspectionDetail).counts.complete == 3


async def test_i10_rebinding_over_http(opened: Opened, db: Database):
    path, lead = opened.inspection(), opened.service.client_for(["shift_lead"], [opened.made.site])
    async with db.begin() as connection:
        revision = await factories.add_revision(
            connection,
            opened.made,
            "B",
            [factories.location("A", "XY", pictures=2, mandatory=True), factories.location("D", "XY")],
            effective_from=datetime.now(UTC),
        )
    foreseen = lead.get(f"{path}/bindings/next").json()
    assert (foreseen["came"], foreseen["went"], foreseen["toRevision"]) == (["D"], ["B", "C", "N"], "B")
    body = {"id": str(new_id()), "revisionId": str(revision), "reason": "D was added"}
    refused(opened.inspector.post(f"{path}/bindings", json=body), 403)
    refused(lead.post(f"{path}/bindings", json={**body, "reason": ""}), 400)
    done = lead.post(f"{path}/bindings", json=body)
    assert (done.status_code, done.json()["passage"]) == (200, foreseen)
    assert lead.post(f"{path}/bindings", json=body).json() == done.json()
    refused(lead.post(f"{path}/bindings", json={**body, "id": str(new_id())}), 409)


async def test_the_work_list_of_a_site_is_what_its_agent_pulls(opened: Opened, db: Database):
    agent = opened.service.agent_client(opened.made.site)
    path = f"/api/v1/sites/{opened.made.site}/worklist"
    first = agent.get(path)
    pulled = msgspec.json.decode(first.content, type=Worklist)
    assert [brief.unit for brief in pulled.inspections] == opened.here
    assert [at.key for at in pulled.inspections[0].locations] == ["A", "B", "C", "N"]
    assert pulled.inspections[0].locations[3].state == "not_applicable"
    assert [(held.label, held.state) for held in pulled.revisions] == [("A", "effective")]
    held = {"If-None-Match": first.headers["etag"]}
    assert agent.get(path, headers=held).status_code == 304

    async with db.begin() as connection:
        await factories.add_revision(
            connection,
            opened.made,
            "B",
            [factories.location("A", "XY")],
            effective_from=datetime.now(UTC),
            site_codes=[opened.made.site],
        )
    renewed = agent.get(path, headers=held)
    pulled = msgspec.json.decode(renewed.content, type=Worklist)
    assert {brief.revision for brief in pulled.inspections} == {"A"}
    assert {(one.label, one.state) for one in pulled.revisions} == {
        ("A", "superseded"),
        ("B", "effective"),
    }
    opened.manager.post(f"{opened.path}/closing")
    assert msgspec.json.decode(agent.get(path).content, type=Worklist).inspections == []
    refused(opened.manager.get("/api/v1/sites/NO-SUCH/worklist"), 404)


async def test_closing_again_answers_the_same_and_units_come_no_more(opened: Opened, db: Database):
    more = await factories.add_units(db, opened.made, 1)
    added = opened.manager.put(f"{opened.path}/units", json={"units": more + opened.here})
    assert (added.status_code, added.json()["inspections"]) == (200, 5)
    closed = opened.manager.post(f"{opened.path}/closing")
    assert opened.manager.post(f"{opened.path}/closing").json() == closed.json()
    late = {"units": await factories.add_units(db, opened.made, 1)}
    refused(opened.manager.put(f"{opened.path}/units", json=late), 409)
    path = opened.inspection()
    refused(opened.inspector.post(f"{path}/statements", json=statement(path)), 409)
    listed = opened.manager.get("/api/v1/campaigns", params={"limit": 500}).json()["items"]
    assert closed.json() in listed

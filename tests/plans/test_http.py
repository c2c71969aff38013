"""The plan library over the running service."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest
import yaml
from jsonschema import Draft202012Validator

from service.contract.wire import new_id
from service.database import Database
from service.plans import store
from service.plans.document import canonical
from tests.access.operations import held_but_refusals
from tests.live_service import Running, make_site
from tests.plans.documents import PLAN, document

Answer = dict[str, Any]


@dataclass
class Library:
    """A plan of its own with builds X and Y, and the people around it."""

    service: Running
    code: str
    author: httpx.Client
    second_author: httpx.Client
    approver: httpx.Client
    reader: httpx.Client
    sites: tuple[str, str]

    def document(self, label: str = "A", **members: Any) -> Answer:
        text = yaml.safe_load(PLAN)
        return {**text, "plan": self.code, "equipmentType": f"T{self.code}", "revision": label, **members}

    def draft(self, label: str = "A", **members: Any) -> Answer:
        answer = self.author.put(f"/api/v1/plan-revisions/{new_id()}", json=self.document(label, **members))
        assert answer.status_code == 200, answer.text
        return answer.json()

    def step(self, who: httpx.Client, revision: Answer, kind: str, **members: Any) -> httpx.Response:
        body = {"id": str(new_id()), "kind": kind, "replaces": revision["heads"], **members}
        return who.post(f"/api/v1/plan-revisions/{revision['id']}/events", json=body)

    def done(self, who: httpx.Client, revision: Answer, kind: str, **members: Any) -> Answer:
        answer = self.step(who, revision, kind, **members)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def published(self, label: str = "A", sites: list[str] | None = None, **members: Any) -> Answer:
        revision = self.done(self.author, self.draft(label, **members), "submitted")
        revision = self.done(self.approver, revision, "approved")
        return self.done(self.approver, revision, "published", effectiveFrom=now(), sites=sites)


def now(days: float = 0) -> str:
    return (datetime.now(UTC) + timedelta(days=days)).isoformat()


@pytest.fixture(scope="module")
def people(service: Running) -> list[httpx.Client]:
    return [service.client_for([role]) for role in ("author", "author", "approver", "inspector")]


@pytest.fixture
def library(service: Running, people: list[httpx.Client]) -> Library:
    mark = new_id().hex[-10:]
    sites = (f"S1{mark}", f"S2{mark}")
    for site in sites:
        make_site(service.settings, site)
    author, second, approver, reader = people
    made = Library(service, f"P{mark}", author, second, approver, reader, sites)
    kind = f"/api/v1/types/TP{mark}"
    put(author, kind, {"id": str(new_id()), "name": "A type for tests"})
    for build in "XY":
        put(author, f"{kind}/builds/{build}", {"id": str(new_id()), "name": f"Build {build}"})
    body = {"id": str(new_id()), "title": "A plan for tests", "equipmentType": f"TP{mark}"}
    put(author, f"/api/v1/plans/{made.code}", body)
    return made


def put(client: httpx.Client, path: str, body: Answer) -> Answer:
    answer = client.put(path, json=body)
    assert answer.status_code == 200, answer.text
    return answer.json()


def refused(answer: httpx.Response, status: int, words: str) -> Answer:
    """RFC 9457: a refusal is problem details, with the status in it."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert problem["status"] == status
    assert words in problem["detail"], problem
    assert problem["consequence"]
    return problem


def test_types_builds_and_plans_are_recorded_once_i8(library: Library) -> None:
    kind = f"/api/v1/types/T{library.code}"
    held = library.reader.get(kind).json()
    assert [build["code"] for build in held["builds"]] == ["X", "Y"]
    again = {"id": held["id"], "name": held["name"]}
    assert put(library.author, kind, again) == held
    refused(library.author.put(kind, json=again | {"name": "other"}), 409, "other content")
    refused(library.author.put(kind, json=again | {"id": str(new_id())}), 409, "other content")
    refused(library.reader.put(kind, json=again), 403, "may not")
    refused(
        library.author.put(f"/api/v1/types/N{library.code}/builds/X", json=again), 404, "no equipment type"
    )
    plan = library.reader.get(f"/api/v1/plans/{library.code}").json()
    body = {"id": plan["id"], "title": plan["title"], "equipmentType": plan["equipmentType"]}
    assert put(library.author, f"/api/v1/plans/{library.code}", body) == plan
    body["id"] = str(new_id())
    refused(library.author.put(f"/api/v1/plans/{library.code}", json=body), 409, "other content")
    body["equipmentType"] = "none"
    refused(library.author.put(f"/api/v1/plans/N{library.code}", json=body), 422, "no equipment type")
    refused(library.reader.get("/api/v1/plans/none"), 404, "no plan")
    refused(library.reader.get("/api/v1/types/none"), 404, "no equipment type")
    assert library.service.client().get(kind).status_code == 401


@pytest.mark.parametrize(("path", "key"), [("/api/v1/types", "code"), ("/api/v1/plans", "code")])
def test_lists_go_by_keyset_pages_named_in_link(library: Library, path: str, key: str) -> None:
    whole = [item[key] for item in library.reader.get(path, params={"limit": 500}).json()["items"]]
    found, answer = [], library.reader.get(path, params={"limit": 1})
    while True:
        found += [item[key] for item in answer.json()["items"]]
        link = answer.links.get("next")  # RFC 8288
        if link is None:
            break
        answer = library.reader.get(link["url"])
    assert found == whole == sorted(whole)


def test_revisions_are_listed_newest_first_in_pages(library: Library) -> None:
    ids = [library.draft(label)["id"] for label in "ABC"]
    path = f"/api/v1/plans/{library.code}/revisions"
    first = library.reader.get(path, params={"limit": 2})
    rest = library.reader.get(first.links["next"]["url"])
    assert [item["id"] for item in first.json()["items"] + rest.json()["items"]] == ids[::-1]
    assert {item["state"] for item in first.json()["items"]} == {"draft"}


def test_draft_is_recorded_once_i8(library: Library) -> None:
    path, body = f"/api/v1/plan-revisions/{new_id()}", library.document()
    first = put(library.author, path, body)
    assert (first["state"], first["label"], first["version"]) == ("draft", "A", 1)
    assert put(library.author, path, body) == first
    refused(library.author.put(path, json=body | {"title": "other"}), 409, "other content")
    refused(library.second_author.put(path, json=body), 409, "other content")
    refused(library.author.put(f"/api/v1/plan-revisions/{new_id()}", json=body), 409, "revision A already")
    refused(library.approver.put(path, json=body), 403, "may not")


def test_a_draft_may_be_sent_as_yaml(library: Library) -> None:
    text = PLAN.replace("plan: P-1", f"plan: {library.code}").replace(": T1", f": T{library.code}")
    path = f"/api/v1/plan-revisions/{new_id()}"
    answer = library.author.put(path, content=text, headers={"Content-Type": "application/yaml"})
    assert answer.status_code == 200, answer.text
    assert answer.json()["label"] == "A"


@pytest.mark.parametrize(
    ("members", "path", "words"),
    [
        ({"plan": "none"}, "/plan", "no plan none"),
        ({"equipmentType": "other"}, "/equipmentType", "not other"),
        ({"builds": ["X", "Y", "Z"]}, "/builds/2", "No location exists on build 'Z'"),
        ({"sections": []}, "/sections", "at least 1"),
    ],
)
def test_bad_draft_is_refused_whole(library: Library, members: Answer, path: str, words: str) -> None:
    revision = f"/api/v1/plan-revisions/{new_id()}"
    problem = refused(library.author.put(revision, json=library.document(**members)), 422, words)
    assert [error["path"] for error in problem["errors"]] == [path]
    refused(library.reader.get(revision), 404, "no plan revision")


def test_bad_draft_names_the_line(library: Library) -> None:
    body = json.dumps(library.document(), indent=1).replace('"count": 102', '"count": 0')
    answer = library.author.put(f"/api/v1/plan-revisions/{new_id()}", content=body)
    [error] = refused(answer, 422, "1 fault")["errors"]
    line = body[: body.index('"count"')].count("\n") + 1
    assert (error["line"], error["path"]) == (line, "/sections/0/locations/0/element/count")
    unknown = library.document(builds=["X", "Y", "W"])
    unknown["sections"][0]["locations"][1]["builds"] = ["X", "W"]
    refused(library.author.put(f"/api/v1/plan-revisions/{new_id()}", json=unknown), 422, "no build W")


def test_document_has_its_digest_as_etag_and_is_not_sent_twice(library: Library) -> None:
    draft = library.draft()
    path = f"/api/v1/plan-revisions/{draft['id']}/document"
    answer = library.reader.get(path)
    assert answer.headers["etag"] == f'"{hashlib.sha256(answer.content).hexdigest()}"'
    assert answer.headers["etag"] == f'"{draft["digest"]}"'
    assert answer.headers["content-type"] == "application/json"
    again = library.reader.get(path, headers={"If-None-Match": answer.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    refused(library.reader.get(path, headers={"If-None-Match": "oddly"}), 400, "If-None-Match")
    schema = library.reader.get("/api/v1/plan-schema")
    assert schema.headers["content-type"] == "application/schema+json"
    Draft202012Validator(schema.json()).validate(answer.json())


def test_draft_is_edited_by_its_author_against_what_he_read(library: Library) -> None:
    draft = library.draft()
    path = f"/api/v1/plan-revisions/{draft['id']}/document"
    tag = {"If-Match": library.author.get(path).headers["etag"]}
    other = library.document(title="Another title")
    refused(library.author.put(path, json=other), 428, "no version")
    refused(library.author.put(path, json=other, headers={"If-Match": "x"}), 400, "If-Match")
    refused(library.second_author.put(path, json=other, headers=tag), 403, "to edit")
    edited = library.author.put(path, json=other, headers=tag)
    assert (edited.status_code, edited.json()["version"]) == (200, 2)
    assert library.author.get(path).json()["title"] == "Another title"
    # The answer got lost and the same request comes again (I8); another one from the old state does not pass.
    assert library.author.put(path, json=other, headers=tag).json() == edited.json()
    refused(library.author.put(path, json=library.document(title="Third"), headers=tag), 412, "changed")
    library.draft("B")
    now_tag = {"If-Match": library.author.get(path).headers["etag"]}
    refused(library.author.put(path, json=library.document("B"), headers=now_tag), 409, "revision B already")
    refused(library.author.put(path, json=library.document(plan="none"), headers=now_tag), 422, "no plan")


def test_life_of_a_revision_from_draft_to_withdrawn(library: Library) -> None:
    revision = library.draft()
    for who, kind, state in [
        (library.author, "submitted", "in_review"),
        (library.approver, "returned", "draft"),
        (library.second_author, "submitted", "in_review"),
        (library.approver, "approved", "approved"),
    ]:
        revision = library.done(who, revision, kind)
        assert revision["state"] == state
    revision = library.done(library.approver, revision, "published", effectiveFrom=now())
    assert revision["state"] == "effective"
    assert revision["publications"] == [
        {"effectiveFrom": revision["events"][-1]["effectiveFrom"], "sites": None}
    ]
    for kind, state in [("suspended", "suspended"), ("resumed", "effective"), ("withdrawn", "withdrawn")]:
        revision = library.done(library.approver, revision, kind, note="for a reason")
        assert revision["state"] == state
    assert [told["kind"] for told in revision["events"]] == [
        "submitted", "returned", "submitted", "approved", "published", "suspended", "resumed", "withdrawn",
    ]  # fmt: skip
    assert revision == library.reader.get(f"/api/v1/plan-revisions/{revision['id']}").json()
    refused(library.step(library.approver, revision, "resumed"), 409, "cannot follow")


def test_two_person_rule(library: Library, service: Running) -> None:
    both, also = service.client_for(["author", "approver"]), service.client_for(["author", "approver"])
    draft = put(both, f"/api/v1/plan-revisions/{new_id()}", library.document())
    revision = library.done(also, draft, "submitted")
    refused(library.step(both, revision, "approved"), 403, "author of a revision cannot approve")
    refused(library.step(also, revision, "approved"), 403, "submitted a revision cannot approve")
    refused(library.step(library.author, revision, "approved"), 403, "may not")
    refused(library.step(library.approver, draft, "submitted"), 403, "may not")
    assert library.done(library.approver, revision, "approved")["state"] == "approved"


def test_event_is_recorded_once_i8(library: Library) -> None:
    draft = library.draft()
    path = f"/api/v1/plan-revisions/{draft['id']}/events"
    body = {"id": str(new_id()), "kind": "submitted", "replaces": []}
    first = library.author.post(path, json=body)
    assert library.author.post(path, json=body).json() == first.json()
    assert len(first.json()["events"]) == 1
    refused(library.author.post(path, json=body | {"note": "other"}), 409, "other content")
    other = library.draft("B")
    refused(
        library.author.post(f"/api/v1/plan-revisions/{other['id']}/events", json=body), 409, "other content"
    )
    refused(
        library.author.post(f"/api/v1/plan-revisions/{new_id()}/events", json=body), 404, "no plan revision"
    )


def test_i4_approval_beside_return_is_effective_nowhere_until_settled(library: Library) -> None:
    revision = library.done(library.author, library.draft(), "submitted")
    library.done(library.approver, revision, "approved")
    conflict = library.done(library.service.client_for(["approver"]), revision, "returned")
    assert conflict["state"] == "conflict"
    assert len(conflict["heads"]) == 2
    refused(library.step(library.approver, conflict, "published", effectiveFrom=now()), 409, "cannot follow")
    settled = library.done(library.approver, conflict, "approved", note="we spoke")
    assert settled["state"] == "approved"
    # Somebody who last read it in review has missed the settlement.
    refused(library.step(library.approver, revision, "returned"), 409, "moved on")


@pytest.mark.parametrize(
    ("members", "words"),
    [
        ({}, "needs effectiveFrom"),
        ({"effectiveFrom": now(-1)}, "lies in the past"),
        ({"effectiveFrom": now(-1), "backdated": True}, "lies in the past"),
        ({"effectiveFrom": now(1), "sites": ["none-such"]}, "no site none-such"),
    ],
)
def test_bad_publication_is_refused(library: Library, members: Answer, words: str) -> None:
    revision = library.done(library.author, library.draft(), "submitted")
    revision = library.done(library.approver, revision, "approved")
    refused(library.step(library.approver, revision, "published", **members), 422, words)
    refused(
        library.step(library.approver, revision, "withdrawn", sites=[library.sites[0]]), 422, "Only a publi"
    )
    assert library.reader.get(f"/api/v1/plan-revisions/{revision['id']}").json() == revision


def test_a_backdated_publication_says_why_and_shows_when_it_was_recorded(library: Library) -> None:
    revision = library.done(library.author, library.draft(), "submitted")
    revision = library.done(library.approver, revision, "approved")
    told = {"effectiveFrom": "2025-02-03T00:00:00Z", "backdated": True, "note": "taken over from paper"}
    revision = library.done(library.approver, revision, "published", **told)
    last = revision["events"][-1]
    assert last["effectiveFrom"] < last["recordedAt"]
    assert (revision["state"], last["note"]) == ("effective", "taken over from paper")


def test_a_newer_revision_supersedes_where_it_is_published_and_only_there(library: Library) -> None:
    here, there = library.sites
    first = library.published()
    second = library.published("B", sites=[here])

    def states(site: str | None) -> list[str]:
        params = {"site": site} if site else {}
        return [
            library.reader.get(f"/api/v1/plan-revisions/{r['id']}", params=params).json()["state"]
            for r in (first, second)
        ]

    assert states(here) == ["superseded", "effective"]
    assert states(there) == ["effective", "approved"]
    assert states(None) == ["effective", "effective"]
    later = library.done(library.approver, second, "published", effectiveFrom=now(1), sites=[there])
    assert len(later["publications"]) == 2
    assert states(there) == ["effective", "approved"]
    library.done(library.approver, later, "suspended")
    assert states(here) == ["effective", "suspended"]


@pytest.mark.anyio
async def test_effective_revision_as_campaigns_ask_for_it(library: Library, db: Database) -> None:
    here, there = library.sites
    first, second = library.published(), library.published("B", sites=[here])
    async with db.begin() as connection:
        plan = await store.plan_by_code(connection, library.code)
        assert plan is not None
        at = datetime.now(UTC)
        assert str(await store.effective_revision(connection, plan["id"], here, at)) == second["id"]
        assert str(await store.effective_revision(connection, plan["id"], there, at)) == first["id"]
        assert await store.effective_revision(connection, plan["id"], there, at - timedelta(days=1)) is None


def test_an_approver_of_one_site_decides_for_that_site_only(library: Library) -> None:
    here, there = library.sites
    local = library.service.client_for(["approver"], [here])
    revision = library.done(library.author, library.draft(), "submitted")
    revision = library.done(local, revision, "approved")
    refused(library.step(local, revision, "published", effectiveFrom=now()), 403, "every site")
    refused(library.step(local, revision, "published", effectiveFrom=now(), sites=[here, there]), 403, there)
    revision = library.done(local, revision, "published", effectiveFrom=now(), sites=[here])
    revision = library.done(library.approver, revision, "published", effectiveFrom=now(), sites=[there])
    refused(library.step(local, revision, "withdrawn"), 403, there)
    # Reading is for everyone who is signed in.
    agent = library.service.agent_client(here)
    assert agent.get(f"/api/v1/plan-revisions/{revision['id']}/document").status_code == 200
    refused(
        agent.post(
            f"/api/v1/plan-revisions/{revision['id']}/events", json={"id": str(new_id()), "kind": "submitted"}
        ),
        403,
        "may not",
    )


def test_i10_a_submitted_or_effective_revision_never_changes(library: Library) -> None:
    draft = library.draft()
    path = f"/api/v1/plan-revisions/{draft['id']}/document"
    before = library.author.get(path)
    tag = {"If-Match": before.headers["etag"]}
    other = library.document(title="Another title")
    submitted = library.done(library.author, draft, "submitted")
    refused(library.author.put(path, json=other, headers=tag), 409, "no draft any more")
    approved = library.done(library.approver, submitted, "approved")
    library.done(library.approver, approved, "published", effectiveFrom=now())
    refused(library.author.put(path, json=other, headers=tag), 409, "no draft any more")
    after = library.author.get(path)
    assert (after.content, after.headers["etag"]) == (before.content, before.headers["etag"])


@pytest.mark.anyio
async def test_i10_the_database_statement_itself_spares_a_published_revision(
    library: Library, db: Database
) -> None:
    for revision, may in ((library.draft("B"), True), (library.published(), False)):
        async with db.begin() as connection:
            held = await store.revision(connection, revision["id"])
            assert held is not None
            changed = await store.update_draft(
                connection, held["id"], {"other": "content"}, "0" * 64, held["label"]
            )
            assert changed is may
            after = await store.revision(connection, revision["id"])
            assert after is not None
            assert (after["digest"] == held["digest"]) is not may
            await connection.rollback()


def test_difference_as_data_and_as_text(library: Library) -> None:
    first = library.draft()
    document = library.document("B", changeNote="fewer pictures")
    document["sections"][0]["locations"][1] |= {"key": "PAN", "formerKey": "SUMP", "mandatory": False}
    second = put(library.author, f"/api/v1/plan-revisions/{new_id()}", document)
    path = f"/api/v1/plan-revisions/{second['id']}/difference"
    data = library.reader.get(path, params={"from": first["id"]})
    assert data.headers["content-type"] == "application/json"
    assert data.json()["renamed"] == [{"before": "SUMP", "after": "PAN", "name": "Sump"}]
    [changed] = data.json()["changed"]
    assert changed["changes"] == [{"field": "mandatory", "before": True, "after": False}]
    text = library.reader.get(path, params={"from": first["id"]}, headers={"Accept": "text/plain"})
    assert text.headers["content-type"].startswith("text/plain")
    assert "SUMP is now PAN (Sump)" in text.text
    refused(library.reader.get(path, params={"from": str(new_id())}), 404, "no plan revision")
    assert library.reader.get(path).status_code == 400


def test_difference_is_within_one_plan(library: Library) -> None:
    body = {"id": str(new_id()), "title": "Another", "equipmentType": f"T{library.code}"}
    put(library.author, f"/api/v1/plans/O{library.code}", body)
    one, other = library.draft(), library.draft(plan=f"O{library.code}")
    answer = library.reader.get(
        f"/api/v1/plan-revisions/{one['id']}/difference", params={"from": other["id"]}
    )
    refused(answer, 422, "two plans")


def test_i11_locations_say_whether_the_build_has_them(library: Library) -> None:
    path = f"/api/v1/plan-revisions/{library.draft()['id']}/locations"
    found = library.reader.get(path, params={"build": "Y"}).json()
    assert [(place["key"], place["applicable"]) for place in found] == [("RING", True), ("SUMP", False)]
    refused(library.reader.get(path, params={"build": "Z"}), 422, "does not cover build Z")


def test_a_check_tells_and_records_nothing(library: Library) -> None:
    text = PLAN.replace("rank: 1", "rank: 0")
    found = library.author.post("/api/v1/plan-checks", content=text).json()
    [finding] = found["findings"]
    assert (finding["line"], finding["path"], found["digest"]) == (10, "/evaluationScale/1/rank", None)
    good = library.author.post("/api/v1/plan-checks", content=PLAN).json()
    assert good["findings"] == []

    assert good["digest"] == hashlib.sha256(canonical(document())).hexdigest()
    assert library.service.client().post("/api/v1/plan-checks", content=PLAN).status_code == 401


def test_vocabulary_is_served_with_sources(library: Library) -> None:
    answer = library.reader.get("/api/v1/vocabulary")
    lists = {held["id"]: held for held in answer.json()["lists"]}
    assert "ISO 15243" in lists["bearing_damage"]["source"]
    assert {"ISOL", "TURN"} <= {caution["id"] for caution in answer.json()["cautions"]}
    again = library.reader.get("/api/v1/vocabulary", headers={"If-None-Match": answer.headers["etag"]})
    assert again.status_code == 304
    assert library.reader.get("/api/v1/vocabulary/disposition").json() == lists["disposition"]
    refused(library.reader.get("/api/v1/vocabulary/none"), 404, "no term list")


def test_openapi_tells_the_bodies_that_are_read_as_text(library: Library) -> None:
    paths = library.reader.get("/api/v1/schema/openapi.json").json()["paths"]
    for path, method in [
        ("/api/v1/plan-revisions/{revision_id}", "put"),
        ("/api/v1/plan-revisions/{revision_id}/document", "put"),
        ("/api/v1/plan-checks", "post"),
    ]:
        body = paths[path][method]["requestBody"]
        assert body["content"].keys() == {"application/json", "application/yaml"}
        assert body["required"]
    answer = paths["/api/v1/plan-revisions/{revision_id}/difference"]["get"]["responses"]["200"]
    assert answer["content"].keys() == {"application/json", "text/plain"}


def test_a_cycle_in_approval_is_refused_in_words_and_nothing_is_written(library: Library) -> None:
    """An event that names itself, one that names what comes after it in another revision, and the way back
    from approved to submitted."""
    draft, other = library.draft("A"), library.draft("B")
    later = library.done(library.author, other, "submitted")
    submitted = library.done(library.author, draft, "submitted")
    approved = library.done(library.approver, submitted, "approved")
    itself = str(new_id())
    before = held_but_refusals(library.service.settings)
    date = {"effectiveFrom": now()}
    both = {"replaces": submitted["heads"] + approved["heads"]}
    for who, kind, members, word in (
        (library.approver, "published", {"id": itself, "replaces": [itself], **date}, itself),
        (library.approver, "published", {"replaces": later["heads"], **date}, "no event of this"),
        (library.author, "submitted", {}, "submitted cannot follow on approved"),
        (library.author, "submitted", both, "submitted cannot follow on approved"),
        (library.approver, "approved", both, "approved cannot follow on approved"),
    ):
        answer = library.step(who, approved, kind, **members)
        problem = answer.json()
        assert (answer.status_code, problem["type"]) == (409, "urn:sightledger:problem:conflict"), answer.text
        assert word in problem["detail"], problem
        assert problem["consequence"]
        assert problem["nextStep"]
    assert held_but_refusals(library.service.settings) == before
    assert library.reader.get(f"/api/v1/plan-revisions/{draft['id']}").json()["state"] == "approved"


def test_an_author_alone_cannot_take_an_effective_revision_back(library: Library) -> None:
    """By naming its submission beside its publication, as if the two were in conflict."""
    effective = library.published()
    submission = effective["events"][0]
    assert submission["kind"] == "submitted"
    back = {"replaces": [submission["id"], *effective["heads"]]}
    answer = library.step(library.author, effective, "submitted", **back)
    assert answer.status_code == 409
    assert "cannot follow on published" in answer.json()["detail"]
    read = library.reader.get(f"/api/v1/plan-revisions/{effective['id']}").json()
    assert read["state"] == "effective"

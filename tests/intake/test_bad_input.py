"""Bad input over HTTP: each is refused with what happened, what it means and what to do, and no table
changes. Odd input that a card can really hold is kept, to the byte."""

from __future__ import annotations

import unicodedata
from base64 import b64encode
from collections.abc import Callable
from typing import Any
from uuid import UUID

import httpx
import msgspec
import pytest

from service.contract.cards import exact_path
from service.contract.wire import new_id
from tests.access.operations import held_but_refusals
from tests.intake.factories import CardBack, Yard, claim, file_of, jpeg, receipt_body
from tests.live_service import Running, token_for_agent

pytestmark = pytest.mark.anyio

Case = tuple[str, str, Any]  # method, path below /api/v1, body


class World:
    """A yard with an open return of one file that was told in its manifest and not sent."""

    def __init__(self, yard: Yard, elsewhere: UUID) -> None:
        self.yard, self.elsewhere = yard, elsewhere
        self.card = yard.card(("A/1.JPG", jpeg(61_000), claim(yard.inspection_id)))
        self.empty = yard.card()

    def file(self, **wrong: Any) -> dict[str, Any]:
        told = file_of("A/2.JPG", jpeg(61_001), claim(self.yard.inspection_id))
        return {**msgspec.to_builtins(told), **wrong}

    def part(self, *files: dict[str, Any]) -> Case:
        return "put", f"/card-returns/{self.card.id}/parts/1", {"files": list(files)}

    def commit(self, card: CardBack, **wrong: Any) -> Case:
        return "post", f"/card-returns/{card.id}/commit", {**msgspec.to_builtins(card.closing()), **wrong}

    def opening(self, **wrong: Any) -> Case:
        told = msgspec.to_builtins(self.empty.opening)
        return "put", f"/card-returns/{new_id()}", {**told, "inspectionId": None, **wrong}

    def prepared(self, **wrong: Any) -> Case:
        yard = self.yard
        keys = {"inspectionId": str(yard.inspection_id), "revisionId": str(yard.revision_id)}
        told = {"site": yard.made.site, "profile": "two-levels", "folders": 3, **keys}
        return "put", f"/cards/{new_id()}", {**told, "preparedAt": "2026-09-10T08:00:00Z", **wrong}


# What is sent, the status, the kind of problem, and a word that its text has to hold.
REFUSED: dict[str, tuple[Callable[[World], Case], int, str, str]] = {
    "a commit of a card return that was never opened": (
        lambda it: ("post", f"/card-returns/{new_id()}/commit", msgspec.to_builtins(it.card.closing())),
        404, "not-found", "Open the card return first"),
    "a card without a manifest": (
        lambda it: it.commit(it.empty, parts=1, files=1), 409, "conflict", "manifest is not whole"),
    "a manifest with a part missing": (
        lambda it: it.commit(it.card, parts=2), 409, "conflict", "manifest is not whole"),
    "a manifest with another digest": (
        lambda it: it.commit(it.card, manifestSha256="0" * 64), 409, "conflict", "manifest is not whole"),
    "a file that did not reach the store": (
        lambda it: it.commit(it.card), 409, "objects-missing", "Do not wipe the card"),
    "an inspection of another site": (
        lambda it: it.opening(inspectionId=str(it.elsewhere)), 409, "conflict", "do not wipe"),
    "another site": (
        lambda it: it.opening(site=it.yard.made.other_site), 403, "not-allowed", "no access to site"),
    "a digest with two sizes": (
        lambda it: it.part(it.file(), it.file(path="A/3.JPG", size=1)), 422, "invalid", "size"),
    "a path twice, with other content": (
        lambda it: it.part(it.file(), it.file(sha256="0" * 64)), 422, "invalid", "more than once"),
    "a path twice, with the same content": (
        lambda it: it.part(it.file(), it.file()), 422, "invalid", "more than once"),
    "a path twice, once by its bytes": (
        lambda it: it.part(it.file(), it.file(pathBytes=b64encode(b"A/2.JPG").decode())),
        422, "invalid", "more than once"),
    "path bytes of another name": (
        lambda it: it.part(it.file(pathBytes=b64encode(b"B/9.JPG").decode())),
        422, "invalid", "readable form"),
    "a card read to its end with files not read": (
        lambda it: it.commit(it.card, unread=[{"path": "A/9.JPG", "why": "input/output error"}]),
        422, "invalid", "do not wipe"),
    "a time that is a number": (
        lambda it: it.part(it.file(readAt=0)), 400, "malformed", "/files/0/readAt"),
    "a digest that is none": (
        lambda it: it.part(it.file(sha256="abc")), 400, "malformed", "/files"),
    "a size below nothing": (
        lambda it: it.part(it.file(size=-1)), 400, "malformed", "/files"),
    "a file without a name": (
        lambda it: it.part(it.file(path="")), 400, "malformed", "/files"),
    "a member that is not known": (
        lambda it: it.part(it.file(colour="red")), 400, "malformed", "colour"),
    "too many files in a part": (
        lambda it: it.part(*[it.file()] * 501), 400, "malformed", "500"),
    "a part told anew with other files": (
        lambda it: ("put", f"/card-returns/{it.card.id}/parts/0", {"files": [it.file()]}),
        409, "return-differs", "other content"),
    "a card for an inspection that is not known": (
        lambda it: it.prepared(inspectionId=str(new_id())), 422, "invalid", "Pull the worklist"),
    "a card for an inspection of another site": (
        lambda it: it.prepared(inspectionId=str(it.elsewhere)), 422, "invalid", "Pull the worklist"),
    "a card under a revision that is not known": (
        lambda it: it.prepared(revisionId=str(new_id())), 422, "invalid", "Pull the plans"),
}  # fmt: skip


@pytest.fixture
async def world(yard: Yard) -> World:
    it = World(yard, await yard.another_inspection(site=yard.made.other_site))
    await it.card.send_manifest()
    await it.empty.open()
    return it


def agent_of(service: Running, yard: Yard) -> httpx.Client:
    return service.client(token_for_agent(yard.settings, yard.agent.id))


async def test_bad_input_is_refused_in_words_and_nothing_is_written(service: Running, world: World) -> None:
    agent = agent_of(service, world.yard)
    before = held_but_refusals(service.settings)
    for what, (case, status, slug, word) in REFUSED.items():
        method, path, body = case(world)
        answer = agent.request(method, f"/api/v1{path}", json=body)
        assert answer.status_code == status, (what, answer.text)
        assert answer.headers["content-type"].startswith("application/problem+json"), what
        problem = answer.json()
        assert problem["type"] == f"urn:sightledger:problem:{slug}", what
        assert (problem["status"], problem["instance"]) == (status, f"/api/v1{path}"), what
        assert all(problem[member] for member in ("title", "detail", "consequence", "nextStep")), (
            what,
            problem,
        )
        assert word in answer.text, (what, answer.text)
    assert held_but_refusals(service.settings) == before


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"{", b'{"files": [{"path": "\xff"}]}', b'{"files": "\\ud800"}', b"[" * 100_000]
)
async def test_a_body_that_is_no_manifest_is_400(service: Running, world: World, body: bytes) -> None:
    agent = agent_of(service, world.yard)
    before = held_but_refusals(service.settings)
    headers = {"Content-Type": "application/json"}
    path = f"/api/v1/card-returns/{world.card.id}/parts/1"
    answer = agent.put(path, content=body, headers=headers)
    assert (answer.status_code, answer.json()["type"]) == (400, "urn:sightledger:problem:malformed")
    assert held_but_refusals(service.settings) == before


async def test_an_unknown_serial_is_refused_whole_and_named(service: Running, yard: Yard) -> None:
    manager = service.client_for(["manager"])
    body = {"name": f"N {new_id()}", "plan": yard.made.plan, "opens": "2026-09-01", "closes": "2026-11-30"}
    before = held_but_refusals(service.settings)
    wrong = f"{yard.serial}X"
    answer = manager.put(f"/api/v1/campaigns/{new_id()}", json={**body, "units": [yard.serial, wrong]})
    problem = answer.json()
    assert (answer.status_code, problem["type"]) == (422, "urn:sightledger:problem:invalid")
    assert [error["path"] for error in problem["errors"]] == ["/units/1"]
    assert wrong in answer.text
    near = manager.get(f"/api/v1/units/{wrong}").json()
    assert yard.serial in [error["detail"] for error in near["errors"]]
    assert held_but_refusals(service.settings) == before


async def test_names_that_some_file_systems_take_for_one_are_kept_apart_to_the_byte(yard: Yard) -> None:
    names = [
        "A/view.JPG", "A/VIEW.jpg", "A/CON.JPG", "A/nul", "A/trailing. ", "A/a:b?.JPG", "A/-rf",
        "A/" + unicodedata.normalize("NFC", "caf\u00e9"), "A/" + unicodedata.normalize("NFD", "caf\u00e9"),
        "A/\u202egpj.exe", "A/\u200b", "A/..\\x", "A/" + "n" * 250,
    ]  # fmt: skip
    same = jpeg(61_100)
    files = [file_of(name, same, claim(yard.inspection_id)) for name in names]
    raw = b"A/\xff\xfe.JPG"
    files.append(file_of("A/\ufffd\ufffd.JPG", same, claim(yard.inspection_id), path_bytes=raw))
    receipt = await yard.card_of(files, [same]).go_through()
    held = [exact_path(file.path, file.path_bytes) for file in receipt.files]
    assert held == [name.encode() for name in names] + [raw]


async def test_empty_cut_and_foreign_files_are_kept_marked_and_come_back_to_the_byte(
    service: Running, yard: Yard
) -> None:
    whole = jpeg(61_200)
    bodies = {"zero_length": b"", "truncated": whole[: len(whole) // 2], "not_an_image": b"MZ no picture"}
    files = [
        file_of(f"A/{mark}.JPG", body, claim(yard.inspection_id), marks=[mark], picture=None)
        for mark, body in bodies.items()
    ]
    card = yard.card_of(files, bodies.values())
    await card.upload(await card.send_manifest())
    receipt = receipt_body(await card.commit())
    assert [file.size for file in receipt.files] == [len(body) for body in bodies.values()]
    auditor = service.client_for(["auditor"])
    for file, body in zip(receipt.files, bodies.values(), strict=True):
        assert (
            httpx.get(auditor.get(f"/api/v1/images/{file.sha256}/download").json()["url"], timeout=30).content
            == body
        )
    listed = auditor.get(f"/api/v1/units/{yard.serial}/images").json()["items"]
    assert sorted(mark for item in listed for mark in item["marks"]) == sorted(bodies)
    locations = auditor.get(f"/api/v1/inspections/{yard.inspection_id}").json()["locations"]
    # What cannot be looked at whole is shown, and not counted as seen.
    assert {place["key"]: place["picturesHeld"] for place in locations}["A"] == 0

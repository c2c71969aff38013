"""The protocol as an agent speaks it: HTTP to the running service, presigned PUT to the store."""

from __future__ import annotations

import hashlib
import json

import httpx
import msgspec
import pytest

from service.contract.access import JwkSet
from service.contract.cards import PartAnswer, Receipt, ReceiptBody, RecordedReturn
from service.contract.records import Download, HistoryItem, ReturnFile, Unit
from service.contract.signature import verify_receipt
from service.contract.wire import Page, new_id
from service.images.actions import tasks
from service.images.looking import Looker
from service.jobs import open_queue, work
from tests.intake.factories import CardBack, Yard, claim, file_of, jpeg
from tests.live_service import Running, token_of_agent

pytestmark = pytest.mark.anyio


def _agent(service: Running, yard: Yard) -> httpx.Client:
    return service.client(token_of_agent(yard.settings, yard.made.site)[1])


def _put(client: httpx.Client, path: str, body: msgspec.Struct) -> httpx.Response:
    headers = {"Content-Type": "application/json"}
    return client.put(f"/api/v1{path}", content=msgspec.json.encode(body), headers=headers)


def _commit(client: httpx.Client, card: CardBack) -> httpx.Response:
    headers = {"Content-Type": "application/json"}
    body = msgspec.json.encode(card.closing())
    return client.post(f"/api/v1/card-returns/{card.id}/commit", content=body, headers=headers)


async def _sent(service: Running, yard: Yard, card: CardBack) -> httpx.Client:
    """The whole protocol; the agent's client."""
    agent = _agent(service, yard)
    assert _put(agent, f"/card-returns/{card.id}", card.opening).status_code == 200
    for number, part in enumerate(card.parts):
        answer = _put(agent, f"/card-returns/{card.id}/parts/{number}", part)
        assert answer.status_code == 200, answer.text
        tickets = msgspec.json.decode(answer.content, type=PartAnswer).lacking
        assert set(await card.upload(tickets)) <= {200, 412}
    assert _commit(agent, card).status_code == 200
    return agent


def _some(yard: Yard, seed: int, number: int = 5) -> CardBack:
    return yard.card(*((f"A/{n}.JPG", jpeg(seed + n), claim(yard.inspection_id)) for n in range(number)))


async def test_i8_the_receipt_is_the_same_bytes_however_often_it_is_asked(
    service: Running, yard: Yard
) -> None:
    card = _some(yard, 7000)
    agent = await _sent(service, yard, card)
    first = _commit(agent, card)
    again = _commit(agent, card)
    read = agent.get(f"/api/v1/card-returns/{card.id}/receipt")
    assert first.content == again.content == read.content
    keys = JwkSet(keys=yard.signer.jwks().keys)
    body = verify_receipt(msgspec.json.decode(first.content, type=Receipt), keys)
    receipt = msgspec.json.decode(body, type=ReceiptBody)
    assert [file.sha256 for file in receipt.files] == [file.sha256 for file in card.files]


async def test_i2_the_auditor_downloads_the_bytes_that_were_on_the_card(service: Running, yard: Yard) -> None:
    card = _some(yard, 7100, 1)
    await _sent(service, yard, card)
    auditor = service.client_for(["auditor"])
    history = auditor.get(f"/api/v1/units/{yard.serial}/images")
    (item,) = msgspec.json.decode(history.content, type=Page[HistoryItem]).items
    answer = auditor.get(f"/api/v1/images/{item.digest}/download")
    download = msgspec.json.decode(answer.content, type=Download)
    for url in (download.url, auditor.get(f"/api/v1/images/{item.digest}/content").headers["location"]):
        got = httpx.get(url, timeout=30)
        assert got.status_code == 200
        assert (
            hashlib.sha256(got.content).hexdigest() == item.digest == card.files[0].sha256 == download.sha256
        )
        assert len(got.content) == download.size
    assert httpx.get(download.url.split("?")[0], timeout=30).status_code == 403


async def test_thumbnails_come_from_the_queue_and_a_broken_picture_does_not_stop_it(
    service: Running, yard: Yard, looker: Looker
) -> None:
    good, junk, cut = jpeg(7200, (800, 600)), b"\xff\xd8 no picture" * 9, jpeg(7201, (640, 480))[:-200]
    files = [
        file_of(f"A/{n}.JPG", body, claim(yard.inspection_id)) for n, body in enumerate((junk, good, cut))
    ]
    files[2].marks = ["truncated"]
    card = yard.card_of(files, (junk, good, cut))
    await _sent(service, yard, card)
    auditor = service.client_for(["auditor"])
    junk_path, good_path, cut_path = (f"/api/v1/images/{file.sha256}/thumbnail" for file in files)
    assert auditor.get(good_path).status_code == 404
    queue = open_queue(yard.settings.database_url, {"images": tasks})
    await work(queue, {"db": yard.db, "objects": yard.objects, "looker": looker}, wait=False)
    for path in (good_path, cut_path):
        answer = auditor.get(path)
        assert answer.status_code == 303
        assert httpx.get(answer.headers["location"], timeout=30).content[:3] == b"\xff\xd8\xff"
    assert auditor.get(junk_path).status_code == 404
    assert auditor.get(f"/api/v1/images/{files[0].sha256}/download").status_code == 200


async def test_pages_are_walked_by_their_link_headers(service: Running, yard: Yard) -> None:
    card = _some(yard, 7300, 7)
    agent = await _sent(service, yard, card)
    auditor = service.client_for(["auditor"])

    def walk(client: httpx.Client, path: str, shape: type) -> list[object]:
        found: list[object] = []
        while path:
            answer = client.get(path)
            assert answer.status_code == 200, answer.text
            found += msgspec.json.decode(answer.content, type=Page[shape]).items  # type: ignore[valid-type]
            path = answer.links.get("next", {}).get("url", "")
        return found

    items = walk(auditor, f"/api/v1/units/{yard.serial}/images?limit=3&location=A", HistoryItem)
    assert sorted(item.digest for item in items) == sorted(f.sha256 for f in card.files)  # type: ignore[attr-defined]
    files = walk(agent, f"/api/v1/card-returns/{card.id}/files?limit=2", ReturnFile)
    assert [file.path for file in files] == [file.path for file in card.files]  # type: ignore[attr-defined]
    returns = walk(agent, "/api/v1/card-returns?limit=1", RecordedReturn)
    assert [one.id for one in returns] == [card.id]  # type: ignore[attr-defined]
    assert len(walk(auditor, f"/api/v1/units?q={yard.made.name}&limit=1", Unit)) == 1
    assert walk(auditor, f"/api/v1/units/{yard.serial}/moves", HistoryItem) == []


async def test_a_move_over_http_is_seen_in_the_history(service: Running, yard: Yard) -> None:
    await _sent(service, yard, _some(yard, 7400, 1))
    lead = service.client_for(["shift_lead"], [yard.made.site])
    item = lead.get(f"/api/v1/units/{yard.serial}/images").json()["items"][0]
    body = {
        "id": str(new_id()),
        "reason": "it shows the bore",
        "to": {"inspectionId": str(yard.inspection_id), "location": "B", "element": 2},
        "pictures": [item["id"]],
    }
    assert lead.post("/api/v1/images/moves", json=body).status_code == 200
    item = lead.get(f"/api/v1/units/{yard.serial}/images").json()["items"][0]
    assert (item["location"], item["element"], item["moved"]) == ("B", 2, True)
    assert lead.get(f"/api/v1/units/{yard.serial}/moves").json()["items"][0]["reason"] == body["reason"]


async def test_refusals_are_problems_that_say_what_to_do(service: Running, yard: Yard) -> None:
    agent, auditor = _agent(service, yard), service.client_for(["auditor"])
    card = _some(yard, 7500)
    _put(agent, f"/card-returns/{card.id}", card.opening)
    _put(agent, f"/card-returns/{card.id}/parts/0", card.parts[0])
    for answer, status, slug in (
        (_commit(agent, card), 409, "objects-missing"),
        (_put(auditor, f"/card-returns/{card.id}", card.opening), 403, "not-allowed"),
        (auditor.get(f"/api/v1/units/{yard.serial}x"), 404, "not-found"),
        (auditor.get("/api/v1/images/abc"), 400, "malformed"),
        (auditor.get(f"/api/v1/units/{yard.serial}/images?cursor=x"), 400, "malformed"),
        (agent.get(f"/api/v1/card-returns/{new_id()}"), 404, "not-found"),
    ):
        assert answer.status_code == status, answer.text
        assert answer.headers["content-type"].startswith("application/problem+json")
        problem = answer.json()
        assert problem["type"] == f"urn:sightledger:problem:{slug}"
        assert problem["detail"]
    assert service.client().get(f"/api/v1/units/{yard.serial}").status_code == 401


async def test_a_card_return_can_be_followed_through_the_log(service: Running, yard: Yard) -> None:
    card, other = _some(yard, 7600, 1), _some(yard, 7610, 1)
    agent = await _sent(service, yard, card)
    await _sent(service, yard, other)
    agent.get(f"/api/v1/card-returns/{card.id}/receipt")
    agent.get("/api/v1/card-returns")
    lines = [json.loads(line) for line in service.log().splitlines()]
    mine = [line for line in lines if line.get("card_return_id") == str(card.id)]
    assert [(line["method"], line["route"].rpartition("}")[2]) for line in mine if "route" in line] == [
        ("PUT", ""), ("PUT", ""), ("POST", "/commit"), ("GET", "/receipt"),
    ]  # fmt: skip
    assert all(line["request_id"] for line in mine)
    unnamed = [line for line in lines if line.get("route") == "/api/v1/card-returns"]
    assert unnamed
    assert all("card_return_id" not in line for line in unnamed)
    assert not [line for line in lines if card.files[0].path in json.dumps(line)]

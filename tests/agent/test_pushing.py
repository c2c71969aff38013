"""A card from scope to receipt, through the real service and the real store."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import signal
import stat
import subprocess
import sys
import threading
import time
import unicodedata
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from uuid import UUID

import httpx
import msgspec
import psycopg
import pytest

from agent.client.store import Outcome, Store
from agent.clock import now
from agent.errors import AgentError, LinkDown
from agent.sync.push import Pusher
from agent.workstation import Workstation
from service.contract.cards import CardPrepared, Receipt, ReceiptBody, exact_path
from service.contract.wire import new_id
from service.contract.work import StatementIn
from tests.agent.sites import ROOT, Site, command, variables
from tests.agent.station import jpeg, put
from tests.live_service import driver_url

WAIT = 60.0


@pytest.fixture
def station(site: Site) -> Iterator[Workstation]:
    with Workstation(site.state) as opened:
        yield opened


@pytest.fixture
def push(site: Site, station: Workstation) -> Iterator[Pusher]:
    with station.service() as service, station.pusher(service) as pusher:
        yield pusher


def test_a_card_goes_from_scope_to_receipt(site: Site) -> None:
    taken = site.prepared(4)
    said = site.agent("read", str(site.card), "--push", "--complete", "A", "--person", "A. Person")
    assert "held centrally - receipt" in said
    assert "the card may be wiped by a person" in said
    [one] = site.status()["cardReturns"]
    recorded = site.get(f"/card-returns/{one['id']}")
    assert (recorded["state"], recorded["files"], recorded["filesNew"], recorded["notPlaced"]) == (
        "committed", 4, 4, 0,
    )  # fmt: skip
    assert recorded["complete"] is True
    assert recorded["remarks"] == []
    pictures = site.get(f"/units/{site.unit}/images")["items"]
    assert {p["digest"] for p in pictures} == {hashlib.sha256(data).hexdigest() for data in taken.values()}
    assert {(p["location"], p["rule"], p["scope"], p["preparedUnder"]) for p in pictures} == {
        ("A", "folder", "VS-1", "A")
    }
    inspection = site.get(f"/inspections/{pictures[0]['inspectionId']}")
    assert {one["key"]: one["state"] for one in inspection["locations"]}["A"] == "complete"
    assert site.get(f"/cards/{recorded['cardId']}")["folders"] == 9


def test_the_bytes_that_come_out_are_those_of_the_card(site: Site) -> None:
    taken = site.prepared(1)
    site.agent("read", str(site.card), "--push")
    [picture] = site.get(f"/units/{site.unit}/images")["items"]
    download = site.get(f"/images/{picture['digest']}/download")
    assert httpx.get(download["url"], timeout=30).content == next(iter(taken.values()))


@pytest.mark.skipif(sys.platform != "linux", reason="names of any bytes")
def test_p14_p15_p16_names_come_back_from_service_and_receipt_byte_for_byte(site: Site) -> None:
    site.prepared(0)
    names = [
        b"A.JPG",
        b"a.jpg",
        "caf\u00e9.JPG".encode(),
        unicodedata.normalize("NFD", "caf\u00e9.JPG").encode(),
        b"latin-\xe9.JPG",
        b"back\\slash:colon*?<>|.JPG",
        b"new\nline\x1b[31m.JPG",
        b"\xff\xfe.JPG",
    ]
    root = os.fsencode(site.card / "01 A")
    sent = {b"01 A/" + name: hashlib.sha256(jpeg(seed)).hexdigest() for seed, name in enumerate(names, 5000)}
    for seed, name in enumerate(names, 5000):
        Path(os.fsdecode(root + b"/" + name)).write_bytes(jpeg(seed))
    site.agent("read", str(site.card), "--push")
    # The counter of the scope starts again: the same name, another picture.
    (site.card / "01 A" / "A.JPG").write_bytes(jpeg(5900))
    site.agent("read", str(site.card), "--push")
    second, first = site.status()["cardReturns"]

    def listed(return_id: str) -> tuple[dict[bytes, str], dict[bytes, str]]:
        files = site.get(f"/card-returns/{return_id}/files?limit=100")["items"]
        payload = site.get(f"/card-returns/{return_id}/receipt")["payload"]
        body = msgspec.json.decode(base64.urlsafe_b64decode(payload + "=="), type=ReceiptBody)
        return (
            {base64.b64decode(file["pathBytes"]): file["digest"] for file in files},
            {exact_path(file.path, file.path_bytes): file.sha256 for file in body.files},
        )

    assert listed(first["id"]) == (sent, sent)
    again = sent | {b"01 A/A.JPG": hashlib.sha256(jpeg(5900)).hexdigest()}
    assert listed(second["id"]) == (again, again)
    digests = {one["digest"] for one in site.get(f"/units/{site.unit}/images")["items"]}
    assert digests == set(sent.values()) | set(again.values())


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX modes")
def test_only_the_owner_can_read_the_token(site: Site) -> None:
    for name in ("token", "enrolment.json"):
        assert stat.S_IMODE((site.state.folder / name).stat().st_mode) == 0o600


def test_reading_the_same_card_again_adds_nothing(site: Site) -> None:
    site.prepared(3)
    for _ in range(2):
        site.agent("read", str(site.card), "--push")
    second, first = site.status()["cardReturns"]
    assert site.get(f"/card-returns/{first['id']}")["filesNew"] == 3
    again = site.get(f"/card-returns/{second['id']}")
    assert (again["files"], again["filesNew"], again["bytesNew"]) == (3, 0, 0)
    assert len(site.get(f"/units/{site.unit}/images")["items"]) == 3


def test_without_a_link_the_card_is_copied_and_goes_later(site: Site) -> None:
    site.prepared(2)
    enrolment = site.state.folder / "enrolment.json"
    with_link = enrolment.read_bytes()
    enrolment.write_bytes(with_link.replace(site.service.url.encode(), b"http://127.0.0.1:9"))
    said = site.agent("read", str(site.card))
    assert "copied here - the card may be removed, not yet wiped" in said
    [waiting] = json.loads(site.agent("queue", "--json"))["cardReturns"]
    assert (waiting["files"], waiting["tries"]) == (2, 1)
    assert site.status()["link"].startswith("down")
    enrolment.write_bytes(with_link)
    site.agent("run", "--once", SIGHTLEDGER_AGENT_MEDIA_ROOTS=str(site.card.parent / "none"))
    assert [one["state"] for one in site.status()["cardReturns"]] == ["held"]
    assert json.loads(site.agent("queue", "--json")) == {
        "cardReturns": [],
        "preparations": 0,
        "pushing": None,
    }


def wait_for(found: Callable[[], bool]) -> None:
    until = time.monotonic() + WAIT
    while not found():
        assert time.monotonic() < until, "it did not come"
        time.sleep(0.3)


@pytest.mark.skipif(sys.platform == "win32", reason="SIGTERM")
def test_run_takes_each_card_once_and_stops_when_asked(site: Site) -> None:
    environment = variables(
        SIGHTLEDGER_AGENT_MEDIA_ROOTS=str(site.card.parent / "*"), SIGHTLEDGER_AGENT_WATCH_EVERY="0.2"
    )
    with subprocess.Popen(
        command(site.state, "run"), env=environment, cwd=ROOT, stdout=subprocess.PIPE, text=True
    ) as running:
        try:
            taken = site.prepared(2)
            wait_for(
                lambda: held_digests(site) >= {hashlib.sha256(data).hexdigest() for data in taken.values()}
            )
            count = len(site.status()["cardReturns"])
            time.sleep(2)
            assert len(site.status()["cardReturns"]) == count
        finally:
            running.send_signal(signal.SIGTERM)
            said, _ = running.communicate(timeout=WAIT)
    assert running.returncode == 0
    assert "stopped" in said
    agents = (
        site.service.client_for(["administrator"])
        .get("/api/v1/agents", params={"limit": 500})
        .json()["items"]
    )
    [reported] = [one for one in agents if one["site"] == site.code]
    assert reported["report"] is not None


def held_digests(site: Site) -> set[str]:
    items = site.get(f"/units/{site.unit}/images")["items"]
    return {one["digest"] for one in items}


def read_here(site: Site, station: Workstation) -> UUID:
    return site.bench(station).read()


def test_i8_a_push_that_is_repeated_gets_the_same_receipt(
    site: Site, station: Workstation, push: Pusher
) -> None:
    site.prepared(2)
    return_id = read_here(site, station)
    first = push.push(return_id)
    assert push.push(return_id) == first
    assert (push.sent.files, push.sent.size) == (0, 0)


def test_an_expired_ticket_is_asked_for_again(
    site: Site, station: Workstation, push: Pusher, monkeypatch: pytest.MonkeyPatch
) -> None:
    site.prepared(3)
    return_id = read_here(site, station)
    real, seen = Store.put, set[str]()

    def late_once(self: Store, ticket: Any, path: Path) -> Outcome:
        if ticket.sha256 in seen:
            return real(self, ticket, path)
        seen.add(ticket.sha256)
        return Outcome.EXPIRED

    monkeypatch.setattr(Store, "put", late_once)
    assert len(push.push(return_id).files) == 3
    assert len(seen) == 3


def add_refused(site: Site, station: Workstation, return_id: UUID) -> tuple[StatementIn, StatementIn]:
    """A statement that can be taken and one that cannot, as an agent of before the check might hold it."""
    inspection = site.bench(station).inspection
    said = {"inspection_id": inspection.id, "locations": ["A"], "stated_by": "A. Person"}
    good = StatementIn(id=new_id(), kind="complete", **said)  # type: ignore[arg-type]
    wrong = StatementIn(id=new_id(), kind="not_inspected", **said | {"locations": ["B"]})  # type: ignore[arg-type]
    for statement in (good, wrong):
        station.outbox.statements.add(return_id, statement)
    return good, wrong


def statements_at(site: Site, station: Workstation) -> set[str]:
    said = site.get(f"/inspections/{site.bench(station).inspection.id}/statements")
    return {one["id"] for one in said}


def test_a_refused_statement_holds_up_neither_the_pictures_nor_the_others(
    site: Site, station: Workstation, push: Pusher
) -> None:
    site.prepared(1)
    return_id = read_here(site, station)
    good, wrong = add_refused(site, station, return_id)
    assert len(push.push(return_id).files) == 1
    assert statements_at(site, station) == {str(good.id)}
    [refused] = station.outbox.statements.refused()
    assert (refused.return_id, refused.unit, refused.statement) == (return_id, site.unit, wrong)
    assert "None is not a reason for not inspecting a location." in refused.why
    [kept] = site.get(f"/card-returns/{return_id}")["refused"]
    assert kept["statement"]["id"] == str(wrong.id)
    assert refused.why.startswith(kept["why"])


@pytest.mark.parametrize("lost", ["the commit's answer", "the card return"])
def test_i8_after_a_lost_answer_the_reason_is_the_true_one(
    site: Site, station: Workstation, push: Pusher, monkeypatch: pytest.MonkeyPatch, lost: str
) -> None:
    site.prepared(1)
    return_id = read_here(site, station)
    good, wrong = add_refused(site, station, return_id)
    name = "commit" if lost == "the commit's answer" else "read_return"
    real = getattr(push.service, name)

    def losing(*arguments: Any) -> Any:
        real(*arguments)
        raise LinkDown("The answer was lost.")

    monkeypatch.setattr(push.service, name, losing)
    with pytest.raises(LinkDown):
        push.push(return_id)
    assert station.outbox.returns.find(return_id).state == "copied"  # type: ignore[index]
    monkeypatch.undo()
    push.push(return_id)
    [refused] = station.outbox.statements.refused()
    assert refused.statement.id == wrong.id
    assert "is not a reason for not inspecting a location" in refused.why
    assert statements_at(site, station) == {str(good.id)}


def test_run_names_a_refused_statement_until_a_person_has_dealt_with_it(
    site: Site, station: Workstation, push: Pusher
) -> None:
    site.prepared(1)
    return_id = read_here(site, station)
    add_refused(site, station, return_id)
    told = site.agent("run", "--once")
    [line] = [line for line in told.splitlines() if "was not taken" in line]
    for word in (site.unit, "B: the statement 'not inspected'", "is not a reason", str(return_id)):
        assert word in line
    assert "was not taken" in site.agent("run", "--once")
    [kept] = site.get(f"/card-returns/{return_id}")["refused"]
    person = site.service.client_for(["inspector"], [site.code])
    body = {"id": str(new_id()), "reason": "said by mistake"}
    done = person.post(f"/api/v1/card-returns/{return_id}/refused/{kept['id']}", json=body)
    assert done.status_code == 200, done.text
    assert "was not taken" not in site.agent("run", "--once")
    assert station.outbox.statements.refused() == []


def test_a_refused_preparation_is_named_by_run_and_to_the_service_until_it_is_taken(
    site: Site, station: Workstation
) -> None:
    bench, stranger = site.bench(station), new_id()
    prepared = CardPrepared(
        site=site.code,
        inspection_id=stranger,
        revision_id=bench.inspection.revision_id,
        profile="two-level",
        prepared_at=now(),
        folders=1,
    )
    card_id = new_id()
    station.outbox.preparations.add(card_id, prepared)
    for _ in range(2):
        [line] = [line for line in site.agent("run", "--once").splitlines() if str(card_id) in line]
        assert f"has no inspection {stranger}" in line
    reports = [one["report"] for one in site.get("/agents?limit=500")["items"] if one["site"] == site.code]
    assert [line for report in reports if report for line in report["refusedPreparations"]] == [
        station.outbox.preparations.refused()[0].text()
    ]
    # Whoever set it right: it is offered again, and taken.
    right = msgspec.json.encode(msgspec.structs.replace(prepared, inspection_id=bench.inspection.id))
    station.outbox.connection.execute("UPDATE preparations SET wire=? WHERE card_id=?", (right, str(card_id)))
    assert str(card_id) not in site.agent("run", "--once")
    assert station.outbox.preparations.refused() == []
    assert site.get(f"/cards/{card_id}")["inspectionId"] == str(bench.inspection.id)


def test_a_bit_flipped_in_the_spool_is_found_and_mended_by_reading_again(
    site: Site, station: Workstation, push: Pusher
) -> None:
    [data] = site.prepared(1).values()
    return_id = read_here(site, station)
    spooled = station.spool.path(hashlib.sha256(data).hexdigest())
    spooled.write_bytes(data[:-9] + bytes([data[-9] ^ 1]) + data[-8:])
    with pytest.raises(AgentError, match="no longer in the spool") as refusal:
        push.push(return_id)
    assert "do not wipe" in refusal.value.text()
    assert len(list((station.state.spool / "damaged").iterdir())) == 1
    read_here(site, station)
    assert len(push.push(return_id).files) == 1


def forged(receipt: Receipt, **changes: Any) -> Receipt:
    padded = receipt.payload + "=" * (-len(receipt.payload) % 4)
    body = msgspec.structs.replace(
        msgspec.json.decode(base64.urlsafe_b64decode(padded), type=ReceiptBody), **changes
    )
    payload = base64.urlsafe_b64encode(msgspec.json.encode(body)).rstrip(b"=").decode()
    return msgspec.structs.replace(receipt, payload=payload)


def test_p24_p30_a_commit_may_take_longer_than_a_link_may_be_silent(site: Site) -> None:
    """As that of a card of 50,000 files does; here the service waits for a lock on its table of receipts."""
    site.prepared(2)
    (site.state.folder / "agent.toml").write_text("timeout = 3\n", "utf-8")
    with Workstation(site.state) as station:
        return_id = read_here(site, station)
        answers: list[bool] = []
        with station.service() as service, station.pusher(service) as pusher:
            real = service.commit

            def noted(*arguments: Any) -> Any:
                answer = real(*arguments)
                answers.append(answer is not None)
                return answer

            pusher.service.commit = noted  # type: ignore[method-assign]
            with psycopg.connect(driver_url(site.service.settings)) as other:
                other.execute("LOCK TABLE receipts IN EXCLUSIVE MODE")
                release = threading.Timer(7, other.rollback)
                release.start()
                assert len(pusher.push(return_id).files) == 2
                release.join()
    assert answers[-1]
    assert 2 <= answers.count(False) <= 7, "asked again at leisure"
    assert [one["state"] for one in site.status()["cardReturns"]] == ["held"]


def test_i6_without_a_true_receipt_nothing_is_called_held(
    site: Site, station: Workstation, push: Pusher, monkeypatch: pytest.MonkeyPatch
) -> None:
    site.prepared(1)
    return_id = read_here(site, station)
    real = push.service.commit

    def lying(*arguments: Any) -> bytes:
        receipt = msgspec.json.decode(real(*arguments), type=Receipt)
        return msgspec.json.encode(forged(receipt, site="ELSEWHERE"))

    with monkeypatch.context() as patch:
        patch.setattr(push.service, "commit", lying)
        with pytest.raises(AgentError, match="signature") as refusal:
            push.push(return_id)
    assert "not clear to wipe" in refusal.value.text()
    row = station.outbox.returns.find(return_id)
    assert row is not None
    assert row.state == "copied"
    assert list(station.outbox.originals.prunable(None)) == []
    push.push(return_id)
    assert [one["state"] for one in site.status()["cardReturns"]] == ["held"]


def test_i6_a_receipt_of_another_card_does_not_count(
    site: Site, station: Workstation, push: Pusher, monkeypatch: pytest.MonkeyPatch
) -> None:
    site.prepared(1)
    first = read_here(site, station)
    push.push(first)
    put(site.card, "01 A/TWVS0099.JPG", jpeg(new_id().int % 2**32))
    second = read_here(site, station)
    body = station.outbox.connection.execute(
        "SELECT body FROM receipts WHERE return_id=?", (str(first),)
    ).fetchone()[0]
    monkeypatch.setattr(push.service, "commit", lambda *_: body)
    with pytest.raises(AgentError, match="does not list this card"):
        push.push(second)
    row = station.outbox.returns.find(second)
    assert row is not None
    assert row.state == "copied"

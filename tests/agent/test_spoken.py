"""Statements without a card: made at the workstation, kept without a link, named when they are refused."""

from __future__ import annotations

from typing import Any

import msgspec

from agent.running.runner import Runner
from agent.settings import State
from agent.workstation import Workstation
from tests.agent.sites import Site
from tests.agent.station import Bench
from tests.agent.test_commands import agent


def states(site: Site) -> dict[str, str]:
    [inspection] = [item["inspectionId"] for item in site.get(f"/units/{site.unit}/images")["items"][:1]] or [
        inspection_of(site)
    ]
    detail: dict[str, Any] = site.get(f"/inspections/{inspection}")
    return {location["key"]: location["state"] for location in detail["locations"]}


def inspection_of(site: Site) -> str:
    with Workstation(site.state) as station:
        worklist = station.cache.worklist()
        assert worklist is not None
        return str(worklist.inspections[0].id)


def test_what_is_stated_without_a_card_is_on_record_at_once(site: Site) -> None:
    told = site.agent("state", site.unit, "--complete", "A", "--person", "A. Person")
    assert f"{site.unit}, A: complete, says A. Person" in told
    assert states(site)["A"] == "complete"


def test_a_statement_made_without_a_link_goes_by_itself(site: Site) -> None:
    enrolment = site.state.enrolment()
    elsewhere = msgspec.structs.replace(enrolment, url="http://127.0.0.1:9")
    site.state.keep_enrolment(elsewhere, site.state.token())
    told = site.agent("state", site.unit, "--complete", "B", "--person", "A. Person")
    assert "it goes by itself when the link is there" in told
    site.state.keep_enrolment(enrolment, site.state.token())
    assert states(site)["B"] == "no_statement"
    assert Runner(site.state, lambda text: None).once() == []
    assert states(site)["B"] == "complete"
    assert site.status()["statementsWaiting"] == 0


def test_a_refused_statement_is_named_until_a_person_puts_it_aside(site: Site) -> None:
    with Workstation(site.state) as station:
        worklist = station.cache.worklist()
        assert worklist is not None
        campaign = worklist.inspections[0].campaign_id
    manager = site.service.client_for(["manager"])
    closed = manager.post(f"/api/v1/campaigns/{campaign}/closing")
    assert closed.status_code == 200, closed.text
    site.agent("state", site.unit, "--complete", "A", "--person", "A. Person")
    [line] = site.status()["refused"]
    assert "is closed; it takes no further statement" in line
    lines: list[str] = []
    Runner(site.state, lines.append).once()
    assert any("is closed; it takes no further statement" in text for text in lines)
    statement = line.rpartition(" ")[2]
    site.agent("state", "--aside", statement)
    assert site.status()["refused"] == []
    site.agent("state", "--aside", statement, code=3)


def test_a_statement_survives_the_loss_of_the_outbox(bench: Bench) -> None:
    folder = bench.station.state.folder
    bench.station.cache.keep("worklist", worklist_with_people(bench))
    agent(folder, "state", "U-100", "--complete", "G.RING", "--person", "A. Person")
    [statement] = bench.station.outbox.spoken.unsent()
    bench.station.outbox.connection.close()
    for path in folder.glob("outbox.sqlite3*"):
        path.unlink()
    bench.station.spool.store([b"some bytes"])
    with Workstation(State(folder)) as again:
        assert again.outbox.spoken.unsent() == [statement]
    assert statement.replaces == [bench.head], "it names what this workstation knew of (I4)"


def test_what_cannot_be_meant_is_refused_and_nothing_is_stated(bench: Bench) -> None:
    folder = bench.station.state.folder
    bench.station.cache.keep("worklist", worklist_with_people(bench))
    both = ("--complete", "G.RING", "--reopened", "G.RING", "--person", "A. Person")
    for words in (("U-100",), ("U-100", *both), ("U-1OO", "--complete", "G.RING", "--person", "A. Person")):
        told = agent(folder, "state", *words, code=3)
        assert "Traceback" not in told
    assert bench.station.outbox.spoken.unsent() == []


def worklist_with_people(bench: Bench) -> bytes:
    worklist = bench.station.cache.worklist()
    assert worklist is not None
    return msgspec.json.encode(msgspec.structs.replace(worklist, people=["A. Person"]))

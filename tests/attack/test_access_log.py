"""Attacks on the access log: what is written into it from outside, who fills, reads or escapes it.

Sources: OWASP ASVS 4.0.3 chapter 7 (V7.1.1 no credentials, V7.1.3 security events, V7.1.4 enough to
investigate, V7.2.1 authentication decisions, V7.2.2 refused access, V7.3.1 and V7.3.2 log injection) and
NIST SP 800-53 r5 AU-3 (what, when, where, source, outcome, identity). From memory: CWE-79, CWE-117, CWE-532,
CWE-770, CWE-1236, ECMA-48.
"""

from __future__ import annotations

import csv
import io
import json
import re
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import httpx
import psycopg
import pytest
from litestar.routes import HTTPRoute
from psycopg.rows import dict_row

from service.access.repeats import APART, FURTHER
from service.access.rules import Act, Role
from service.app import create_app
from service.contract.wire import new_id
from service.database import metadata
from service.settings import Settings
from tests.commands.own_process import sightledger
from tests.intake.factories import Yard, claim, fresh_seed, jpeg
from tests.live_service import ROOT, Running, driver_url, execute, make_site, token_of_agent, token_of_person

pytestmark = pytest.mark.anyio

PASSWORD = "correct horse battery"
LOG = "/api/v1/access-events"
# A second line, an order to a terminal, a page's script, text that runs backwards, a formula.
HOSTILE = 'x\u2028{"event": "forged"}\x1b]0;owned\x07<script>alert(1)</script>\u202e=HYPERLINK("http://e")'
# What ends a line, steers a terminal, or turns text round.
ORDERS = re.compile("[\x00-\x08\x0a-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")


def rows_with(settings: Settings, condition: str, *values: object) -> list[dict[str, Any]]:
    with psycopg.connect(driver_url(settings), row_factory=dict_row) as connection:
        return list(
            connection.execute(f"SELECT * FROM access_events WHERE {condition} ORDER BY at, id", values)
        )


def line_of(service: Running, event: dict[str, Any]) -> str:
    """The one line of the log that tells of an event."""
    [line] = [text for text in service.log_with(str(event["id"])).splitlines() if str(event["id"]) in text]
    return line


@pytest.mark.parametrize("name", ["User-Agent", "X-Request-Id", "X-Forwarded-For", "Referer"])
def test_a_header_forges_no_line_and_gives_a_terminal_no_order(service: Running, name: str) -> None:
    """CWE-117, V7.3.1. The server takes no ESC in a header (RFC 9110 5.5), but the same
    orders in one byte each (ECMA-48: NEL, CSI, OSC)."""
    account_id, token = token_of_person(service.settings, ["inspector"])
    client = service.client(token)
    for control in (b"\x1b", b"\x07"):
        assert client.get("/api/v1/accounts", headers={name.encode(): b"x" + control}).status_code == 400
    sent = '\x9b31m\x85{"event": "forged"}\x9d0;owned\x9c<script>alert(1)</script>'.encode("latin-1")
    assert client.get("/api/v1/accounts", headers={name.encode(): sent}).status_code == 403
    [event] = rows_with(service.settings, "by_account_id = %s", account_id)
    for column in ("user_agent", "request_id", "address", "route"):
        assert not ORDERS.search(event[column] or ""), column
    assert event["address"] == "127.0.0.1"
    assert len(event["user_agent"]) <= 200
    line = line_of(service, event)
    assert (json.loads(line)["kind"], json.loads(line)["outcome"]) == ("refused", "refused")
    assert not ORDERS.search(line)


def test_a_login_forges_nothing_and_is_not_kept(service: Running) -> None:
    """CWE-532, V7.1.1: people type passwords into the field of the login."""
    typed, request_id = f"hunter2-{new_id().hex}{HOSTILE}\n\r", f"login-{new_id().hex}"
    body = {"login": typed, "password": f"secret-{new_id().hex}"}
    answer = service.client().post("/api/v1/sessions", json=body, headers={"X-Request-Id": request_id})
    assert answer.status_code == 401
    rows = rows_with(service.settings, "request_id = %s", request_id)
    assert [row["kind"] for row in rows] in (["sign_in_tried", "sign_in_refused"], ["sign_in_tried"])
    held = repr(rows) + "".join(line_of(service, row) for row in rows)
    for part in (typed[:20], body["password"], "hunter2"):
        assert part not in held
    assert all(row["concerns"] is None and row["detail"] is None for row in rows)


def test_a_path_forges_nothing_because_none_is_recorded(service: Running) -> None:
    account_id, token = token_of_person(service.settings, ["inspector"])
    client, site = service.client(token), {"name": "x", "kind": "x", "timeZone": "Etc/UTC"}
    for path in ("/api/v1/sites/forged", "/api/v1/sites/S?x=%3Cscript%3E%0d%0aforged%1b[31m"):
        assert client.put(path, json=site).status_code == 403
    rows = rows_with(service.settings, "by_account_id = %s", account_id)
    assert {row["route"] for row in rows} == {"PUT /api/v1/sites/{code}"}
    assert "forged" not in repr(rows)
    assert "script" not in repr(rows)


def test_a_hostile_name_is_harmless_on_the_page_in_the_csv_and_in_the_log(service: Running) -> None:
    """V7.3.1, CWE-79, CWE-1236: a name of an account may hold anything."""
    administrator, account_id = service.client_for(["administrator"]), new_id()
    name = f"=1+1\n{HOSTILE}"[:200]
    body = {"login": f"h-{account_id.hex}", "name": name, "roles": ["auditor"], "sites": None}
    made = administrator.put(f"/api/v1/accounts/{account_id}", json=body | {"password": PASSWORD})
    assert made.status_code == 200
    auditor = service.client_for(["auditor"])
    page = auditor.get(f"/access-log?account={account_id}", headers={"Accept": "text/html"})
    assert page.status_code == 200
    assert "account made" in page.text
    assert "<script>" not in page.text
    assert not ORDERS.search(page.text.replace("\n", ""))
    taken = auditor.get(LOG, params={"account": str(account_id), "format": "csv"})
    _, row = csv.reader(io.StringIO(taken.text))
    for value in row:
        assert not value.startswith(("=", "+", "-", "@"))
        assert not ORDERS.search(value)
    [event] = rows_with(service.settings, "account_id = %s AND kind = 'account_made'", account_id)
    line = line_of(service, event)
    assert json.loads(line)["concerns"] == name
    assert not ORDERS.search(line)


def test_nobody_says_from_where_he_comes_without_a_proxy_that_is_trusted(service: Running) -> None:
    account_id, token = token_of_person(service.settings, ["inspector"])
    service.client(token).get("/api/v1/accounts", headers={"X-Forwarded-For": "203.0.113.9"})
    [event] = rows_with(service.settings, "by_account_id = %s", account_id)
    assert event["address"] == "127.0.0.1"


def test_one_caller_cannot_flood_the_log_with_refusals(service: Running) -> None:
    """CWE-770: hundreds of refusals of twenty kinds make 11 rows; their counts follow within the minute."""
    make_site(service.settings, "FLOOD")
    account_id, token = token_of_person(service.settings, ["inspector"], ["FLOOD"])
    client, other, refused = service.client(token), new_id(), 0
    reading = ["accounts", "custody", "access-events", "sites/OTHER", "sites/OTHER/people"]
    reading += ["sites/OTHER/retention", "units?site=OTHER", f"accounts/{other}"]
    made = {"id": str(new_id()), "name": "x"}
    writing = {
        "sites/OTHER": SITE,
        "sites/OTHER/people": {"names": []},
        "sites/OTHER/retention": {"days": 1, "mode": "governance"},
        "types/X": made,
        "types/X/builds/X": made,
        "plans/X": {"id": str(new_id()), "title": "x", "equipmentType": "x"},
    }
    pages = ("/custody", "/access-log", "/metrics")
    acts = [("GET", path, None) for path in (*pages, *(f"/api/v1/{at}" for at in reading))]
    acts += [("PUT", f"/api/v1/{at}", body) for at, body in writing.items()]
    acts += [("DELETE", f"/api/v1/{kind}/{other}", None) for kind in ("accounts", "agents")]
    for _ in range(10):
        refused += sum(client.request(how, at, json=body).status_code == 403 for how, at, body in acts)
    assert refused > 160
    rows = rows_with(service.settings, "by_account_id = %s", account_id)
    assert len(rows) == APART + 1
    assert {(row["kind"], row["times"]) for row in rows} == {("refused", 1)}
    assert rows[-1]["concerns"] == FURTHER


def test_throttled_sign_ins_of_one_login_make_one_row(service: Running) -> None:
    login = f"flood-{new_id().hex[-10:]}"
    account_id = service.account(login, PASSWORD, ["inspector"])
    client, wrong = service.client(), {"login": login, "password": "wrong"}
    answers = [client.post("/api/v1/sessions", json=wrong).status_code for _ in range(60)]
    assert answers.count(429) >= 50
    kinds = [row["kind"] for row in rows_with(service.settings, "account_id = %s", account_id)]
    assert kinds.count("sign_in_throttled") == 1
    assert kinds.count("sign_in_refused") <= 2


@pytest.mark.parametrize("role", list(Role))
def test_nobody_reads_the_log_without_the_act(service: Running, role: Role) -> None:
    may = role in (Role.AUDITOR, Role.ADMINISTRATOR)
    client = service.client_for([role])
    for path in (LOG, f"{LOG}?format=csv", "/access-log"):
        assert client.get(path).status_code == (200 if may else 403), path
    assert (str(Act.READ_LOG) in client.get("/api/v1/callers/me").json()["acts"]) is may
    page = client.get("/units", headers={"Accept": "text/html"}).text
    assert ('href="/access-log"' in page) is may


def test_no_agent_no_metrics_reader_and_no_stranger_reads_the_log(service: Running) -> None:
    for client, status in (
        (service.agent_client("ALOG"), 403),
        (service.client(service.settings.metrics_token), 403),
        (service.client(), 401),
    ):
        assert client.get(LOG).status_code == status


def test_nobody_reaches_the_events_of_another_site_by_any_filter(service: Running) -> None:
    own, other = f"A{new_id().hex[-8:]}", f"A{new_id().hex[-8:]}"
    for code in (own, other):
        make_site(service.settings, code)
    account_id = service.account(f"o-{new_id().hex[-10:]}", PASSWORD, ["inspector"], [other])
    agent_id, _ = token_of_agent(service.settings, other)
    service.client_for(["administrator"]).delete(f"/api/v1/agents/{agent_id}").raise_for_status()
    everybody = service.client_for(["auditor"])
    assert everybody.get(LOG, params={"agent": str(agent_id)}).json()["items"]
    limited = service.client_for(["auditor"], [own])
    for name, value in (
        ("account", account_id), ("agent", agent_id), ("kind", "agent_retired"), ("address", "127.0.0.1"),
    ):  # fmt: skip
        answer = limited.get(LOG, params={"limit": "500", name: str(value)})
        assert answer.status_code == 200
        assert [event for event in answer.json()["items"] if event["sites"] != [own]] == []
    assert limited.get(LOG, params={"site": other}).status_code == 403
    for method in ("POST", "PUT", "PATCH", "DELETE"):
        assert limited.request(method, LOG, json={}).status_code == 405


def test_no_secret_of_any_kind_ever_stands_in_the_log(service: Running) -> None:
    """V7.1.1, CWE-532: tokens, passwords, cookies and enrolment codes that went through the service."""
    login, new_password = f"s-{new_id().hex[-10:]}", f"another-{new_id().hex}"
    account_id = service.account(login, PASSWORD, ["inspector"])
    signed_in = service.sign_in(login, PASSWORD)
    person = service.client(signed_in.token)
    change = {"current": PASSWORD, "new": new_password}
    assert person.put(f"/api/v1/accounts/{account_id}/password", json=change).status_code == 204
    wrong = {"current": f"wrong-{new_id().hex}", "new": new_password}
    assert person.put(f"/api/v1/accounts/{account_id}/password", json=wrong).status_code == 403
    enrolled = service.enrol("ASEC")
    stolen = "sla_" + "y" * 43
    assert service.client(stolen).get("/api/v1/sites").status_code == 401
    code = {"id": str(new_id()), "code": "Q" * 25, "name": "w", "platform": "p", "version": "0"}
    assert service.client().post("/api/v1/agents", json=code).status_code == 403
    written = [line for line in service.log().splitlines() if '"access event"' in line]
    assert any('"token_refused"' in line for line in written)
    held = repr(execute(service.settings, "SELECT access_events::text FROM access_events"))
    held += service.client_for(["auditor"]).get(LOG, params={"limit": 500}).text + "\n".join(written)
    secrets = (signed_in.token, new_password, wrong["current"], enrolled.token, stolen, PASSWORD, "Q" * 25)
    assert [secret for secret in secrets if secret in held] == []
    assert "$argon2" not in held
    assert "login_hash" not in "\n".join(written)


async def test_who_is_refused_at_the_pages_is_recorded_before_he_hears_of_it(service: Running) -> None:
    """V7.2.2."""
    account_id, token = token_of_person(service.settings, ["inspector"])
    page = service.client(token).get("/access-log", headers={"Accept": "text/html"})
    assert page.status_code == 403
    [row] = rows_with(service.settings, "by_account_id = %s", account_id)
    assert (row["route"], row["detail"]) == ("GET /access-log", {"act": "read the access log"})


async def test_reading_an_original_leaves_a_trace_whichever_way_is_taken(
    service: Running, yard: Yard
) -> None:
    card = yard.card(("A/1.JPG", jpeg(fresh_seed()), claim(yard.inspection_id)))
    await card.go_through()
    digest = card.files[0].sha256
    reader_id, token = token_of_person(service.settings, ["engineer"])
    reader, ids = service.client(token), []
    for way in (f"/api/v1/images/{digest}/download", f"/api/v1/images/{digest}/content",
                f"/images/{digest}/original"):  # fmt: skip
        ids.append(f"way-{new_id().hex}")
        assert reader.get(way, headers={"X-Request-Id": ids[-1]}).status_code < 400
    asked = "SELECT request_id, digest, by_account_id FROM picture_reads WHERE request_id = ANY(%s)"
    deadline = time.monotonic() + 6
    while len(found := execute(service.settings, asked, ids)) < 3 and time.monotonic() < deadline:
        time.sleep(0.1)
    assert set(found) == {(request_id, digest, reader_id) for request_id in ids}


def test_an_original_is_signed_for_in_one_place_which_records_it() -> None:
    """Another way to an original, that records nothing, fails here: `presign_get` signs its address."""
    found = {
        str(path.relative_to(ROOT)): text.count("presign_get(")
        for path in (ROOT / "service").rglob("*.py")
        if "presign_get(" in (text := path.read_text()) and "objects" not in path.parts
    }
    # One for the original, recorded; one for the thumbnail, which is no original.
    assert found == {"service/records/actions/images.py": 2}


Route = tuple[str, str]
SITE = {"name": "Made", "kind": "works", "timeZone": "Europe/Dublin"}

# What these do is an event of each of these kinds.
KINDS: dict[Route, set[str]] = {
    ("POST", "/api/v1/sessions"): {"sign_in_tried", "signed_in"},
    ("POST", "/sign-in"): {"sign_in_tried", "signed_in"},
    ("POST", "/sign-in/code"): {"signed_in"},
    ("DELETE", "/api/v1/sessions"): {"sessions_ended"},
    ("DELETE", "/api/v1/sessions/current"): {"signed_out"},
    ("POST", "/sign-out"): {"signed_out"},
    ("PUT", "/api/v1/accounts/{account_id}"): {"account_made"},
    ("PUT", "/api/v1/accounts/{account_id}/password"): {"password_tried", "password_changed"},
    ("POST", "/new-password"): {"password_tried", "password_changed"},
    ("PUT", "/api/v1/account-proposals/{proposal_id}"): {"change_proposed"},
    ("POST", "/api/v1/account-proposals/{proposal_id}/decision"): {"change_confirmed"},
    ("DELETE", "/api/v1/accounts/{account_id}"): {"account_closed"},
    ("POST", "/api/v1/enrolment-codes"): {"code_made"},
    ("POST", "/api/v1/agents"): {"agent_enrolled"},
    ("POST", "/api/v1/agents/{agent_id}/token"): {"token_renewed"},
    ("DELETE", "/api/v1/agents/{agent_id}"): {"agent_retired"},
    ("PUT", "/api/v1/sites/{code}"): {"site_made"},
    ("PUT", "/api/v1/sites/{code}/people"): {"people_changed"},
    ("PUT", "/api/v1/sites/{code}/retention"): {"retention_changed"},
    ("PUT", "/api/v1/types/{code}"): {"type_made"},
    ("PUT", "/api/v1/types/{code}/builds/{build}"): {"build_made"},
    ("PUT", "/api/v1/plans/{code}"): {"plan_made"},
    ("PUT", "/api/v1/campaigns/{campaign_id}"): {"campaign_opened"},
    ("POST", "/api/v1/campaigns/{campaign_id}/closing"): {"campaign_closed"},
}

# What these write is a record with its own author: the table, and the column that names him.
RECORDED: dict[Route, tuple[str, str]] = {
    ("PUT", "/api/v1/plan-revisions/{revision_id}"): ("plan_revisions", "author_id"),
    ("PUT", "/api/v1/plan-revisions/{revision_id}/document"): ("plan_revisions", "author_id"),
    ("POST", "/api/v1/plan-revisions/{revision_id}/events"): ("revision_events", "account_id"),
    ("PUT", "/api/v1/units/{serial}"): ("unit_positions", "account_id"),
    ("POST", "/api/v1/units/{serial}/positions"): ("unit_positions", "account_id"),
    ("PUT", "/api/v1/campaigns/{campaign_id}/units"): ("bindings", "account_id"),
    ("POST", "/api/v1/inspections/{inspection_id}/statements"): ("statements", "account_id"),
    ("POST", "/api/v1/inspections/{inspection_id}/bindings"): ("bindings", "account_id"),
    ("PUT", "/api/v1/cards/{card_id}"): ("cards", "agent_id"),
    ("PUT", "/api/v1/card-returns/{return_id}"): ("card_returns", "agent_id"),
    ("PUT", "/api/v1/card-returns/{return_id}/parts/{part}"): ("card_returns", "agent_id"),
    ("PUT", "/api/v1/card-returns/{return_id}/ahead"): ("card_returns", "agent_id"),
    ("PUT", "/api/v1/card-returns/{return_id}/large/{digest}"): ("card_returns", "agent_id"),
    ("POST", "/api/v1/card-returns/{return_id}/parts/{part}/check"): ("card_returns", "agent_id"),
    ("POST", "/api/v1/card-returns/{return_id}/commit"): ("card_returns", "agent_id"),
    ("POST", "/api/v1/card-returns/{return_id}/refused/{refused_id}"): ("refusals_settled", "account_id"),
    ("POST", "/card-returns/{return_id}/refused/{refused_id}"): ("refusals_settled", "account_id"),
    ("POST", "/api/v1/images/moves"): ("picture_moves", "account_id"),
    ("POST", "/card-returns/{return_id}/open"): ("picture_moves", "account_id"),
    ("POST", "/units/{serial}/moves/{move_id}/undo"): ("picture_moves", "account_id"),
    # What a workstation last said of itself stands with the workstation.
    ("PUT", "/api/v1/agents/{agent_id}/report"): ("agents", "last_seen_at"),
}

# These ask, in a body because of its length, and write nothing.
ASKING: set[Route] = {
    ("POST", "/api/v1/plan-checks"),
    ("POST", "/api/v1/images/held"),
    ("POST", "/api/v1/card-returns/known"),
}


# The identity provider's own, which needs one: tests/access/test_single_sign_on.py.
OF_THE_PROVIDER: set[Route] = {("POST", "/sign-out/provider")}


def writing_routes(settings: Settings) -> list[Route]:
    """Every route of the app that does not only read, pages and all."""
    return sorted(
        (str(method), re.sub(r":\w+", "", route.path))
        for route in create_app(settings).routes
        if isinstance(route, HTTPRoute)
        for method in route.route_handler_map
        if method in {"POST", "PUT", "PATCH", "DELETE"}
    )


def test_every_writing_route_is_an_event_or_a_record_with_an_author(service: Running) -> None:
    """A new route that writes stands in none of the lists and fails here (V7.1.3, AU-2)."""
    assert sorted([*KINDS, *RECORDED, *ASKING, *OF_THE_PROVIDER]) == writing_routes(service.settings)
    for table, column in RECORDED.values():
        assert column in metadata.tables[table].c, (table, column)


@dataclass
class Doing:
    """Does each act once, as somebody who may; each request has an id of its own, kept by its route."""

    service: Running
    ids: dict[Route, str] = field(default_factory=dict)

    def send(self, method: str, pattern: str, client: httpx.Client, *parts: object, **more: Any) -> Any:
        self.ids[method, pattern] = request_id = f"act-{new_id().hex}"
        filled = iter(parts)
        path = re.sub(r"\{\w+\}", lambda _: str(next(filled)), pattern)
        headers = {"X-Request-Id": request_id, **more.pop("headers", {})}
        answer = client.request(method, path, headers=headers, **more)
        assert answer.status_code < 400, (pattern, answer.status_code, answer.text)
        return answer

    def people(self) -> None:
        login = f"d-{new_id().hex[-10:]}"
        account_id = self.service.account(login, PASSWORD, ["inspector"])
        body = {"login": login, "password": PASSWORD}
        token = self.send("POST", "/api/v1/sessions", self.service.client(), json=body).json()["token"]
        form = {"Origin": self.service.url, "Content-Type": "application/x-www-form-urlencoded"}
        sent = f"login={login}&password={PASSWORD.replace(' ', '+')}"
        self.send("POST", "/sign-in", self.service.client(), content=sent, headers=form)
        person = self.service.client(token)
        change = {"current": PASSWORD, "new": "another horse battery"}
        self.send("PUT", "/api/v1/accounts/{account_id}/password", person, account_id, json=change)
        self.send("DELETE", "/api/v1/sessions/current", person)
        opened = self.service.client(self.service.sign_in(login, "another horse battery").token)
        sent = "current=another+horse+battery&new=third+horse+battery"
        self.send("POST", "/new-password", opened, content=sent, headers=form)
        self.send("DELETE", "/api/v1/sessions", self.service.client_for(["inspector"]))
        made = sightledger(self.service.settings, "account", "let-in", login, "--reason", "tried")
        code = re.search(r"slo_[\w-]+", made.stdout)
        assert code is not None, made.stderr
        sent = f"code={code[0]}"
        self.send("POST", "/sign-in/code", self.service.client(), content=sent, headers=form)
        self.send("POST", "/sign-out", self.service.client_for(["inspector"]))

    def accounts(self) -> None:
        administrator, account_id = self.service.client_for(["administrator"]), new_id()
        body = {"login": f"m-{account_id.hex}", "name": "Made", "roles": ["auditor"], "sites": None}
        account = "/api/v1/accounts/{account_id}"
        self.send("PUT", account, administrator, account_id, json=body | {"password": PASSWORD})
        proposed = {"account": str(account_id), "roles": ["approver"], "sites": None}
        proposal, proposal_id = "/api/v1/account-proposals/{proposal_id}", new_id()
        self.send("PUT", proposal, administrator, proposal_id, json=proposed)
        second, decision = self.service.client_for(["administrator"]), {"decision": "confirmed"}
        self.send("POST", f"{proposal}/decision", second, proposal_id, json=decision)
        self.send("DELETE", account, administrator, account_id)

    def sites(self) -> None:
        administrator, code, site = self.service.client_for(["administrator"]), f"D{new_id().hex[-8:]}", SITE
        pattern = "/api/v1/sites/{code}"
        self.send("PUT", pattern, administrator, code, json=site)
        self.send("PUT", f"{pattern}/people", administrator, code, json={"names": ["T. Aken"]})
        etag = administrator.get(f"/api/v1/sites/{code}/retention").headers["etag"]
        policy = {"json": {"days": 3, "mode": "governance"}, "headers": {"If-Match": etag}}
        self.send("PUT", f"{pattern}/retention", administrator, code, **policy)
        made = self.send("POST", "/api/v1/enrolment-codes", administrator, json={"site": code})
        workstation = {"id": str(new_id()), "name": "w1", "platform": "p", "version": "0"}
        enrolment = {**workstation, "code": made.json()["code"]}
        enrolled = self.send("POST", "/api/v1/agents", self.service.client(), json=enrolment).json()
        agent = self.service.client(enrolled["token"])
        self.send("POST", "/api/v1/agents/{agent_id}/token", agent, workstation["id"])
        self.send("DELETE", "/api/v1/agents/{agent_id}", administrator, workstation["id"])

    def library(self) -> None:
        author, code, named = self.service.client_for(["author"]), f"T{new_id().hex[-8:]}", "A type"
        self.send("PUT", "/api/v1/types/{code}", author, code, json={"id": str(new_id()), "name": named})
        build = {"id": str(new_id()), "name": "A build"}
        self.send("PUT", "/api/v1/types/{code}/builds/{build}", author, code, "X", json=build)
        plan = {"id": str(new_id()), "title": "A plan", "equipmentType": code}
        self.send("PUT", "/api/v1/plans/{code}", author, f"P{code}", json=plan)

    def campaigns(self, yard: Yard) -> None:
        manager, campaign_id = self.service.client_for(["manager"]), new_id()
        window = {"opens": "2026-09-01", "closes": "2026-11-30"}
        campaign = {"name": f"Opened {campaign_id}", "plan": yard.made.plan, "units": [yard.serial]}
        pattern = "/api/v1/campaigns/{campaign_id}"
        self.send("PUT", pattern, manager, campaign_id, json=campaign | window)
        self.send("POST", f"{pattern}/closing", manager, campaign_id)


async def test_every_act_is_an_event_with_all_that_au_3_asks_for(service: Running, yard: Yard) -> None:
    """AU-3, V7.1.4: what, when, where, from where, with what outcome, and who."""
    done = Doing(service)
    for act in (done.people, done.accounts, done.sites, done.library):
        act()
    done.campaigns(yard)
    assert done.ids.keys() == KINDS.keys()
    for route, kinds in KINDS.items():
        rows = rows_with(service.settings, "request_id = %s", done.ids[route])
        assert {row["kind"] for row in rows} == kinds, route
        for row in rows:
            assert (row["route"], row["address"]) == (" ".join(route), "127.0.0.1")
            assert row["user_agent"].startswith("python-httpx")
            tried = row["kind"] == "sign_in_tried"
            assert tried or ((row["by_account_id"] or row["by_agent_id"]) and row["by_name"]), (route, row)
            assert tried or row["concerns"], (route, row)
            line = json.loads(line_of(service, row))
            assert (line["event"], line["outcome"]) == ("access event", "done")


def _kinds_noted() -> Iterator[str]:
    for path in (ROOT / "service").rglob("*.py"):
        yield from re.findall(r"\bnote\(\s*connection,\s*\"([^\"]+)\"", path.read_text())


def test_the_kinds_of_events_are_names_and_no_text_from_outside() -> None:
    found = set(_kinds_noted())
    assert found >= {"signed_in", "key_distrusted", "picture_reads_forgotten"}
    assert [kind for kind in found if not re.fullmatch("[a-z_]+", kind)] == []

"""The access log: what is recorded with each event, who reads it, what of it is kept how long."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import timedelta
from typing import Any

import httpx
import pytest
import sqlalchemy as sa

from service import jobs
from service.access.actions.forgetting import forget_old_reads, tasks
from service.access.actions.keeping import AccessLog
from service.access.actions.log import cell
from service.access.events import forget_reads, insert_reads, picture_reads
from service.access.noting import access_events, note
from service.access.origin import Origin, asked_from, canonical_address, plain_user_agent
from service.access.repeats import APART, FURTHER, MOST_RUNNING, OF_MANY, WINDOW_S, Repeats
from service.access.rules import Role, address_of
from service.contract.wire import new_id
from service.database import Database, server_now
from service.settings import Settings
from tests import factories
from tests.intake.factories import Yard, claim, fresh_seed, jpeg
from tests.live_service import ROOT, Running, environment_of, execute, make_site, token_of_person

pytestmark = pytest.mark.anyio

PASSWORD = "correct horse battery"


def login() -> str:
    return f"log-{new_id().hex[-10:]}"


def events(client: httpx.Client, **asked: Any) -> list[dict[str, Any]]:
    answer = client.get("/api/v1/access-events", params={"limit": 500, **asked})
    assert answer.status_code == 200, answer.text
    items: list[dict[str, Any]] = answer.json()["items"]
    return items


def awaited(found: Callable[[], list[Any]], seconds: float = 6) -> list[Any]:
    """What `found` finds once there is something: reads of pictures are written a moment later."""
    deadline = time.monotonic() + seconds
    while not (here := found()) and time.monotonic() < deadline:
        time.sleep(0.1)
    return here


def test_a_sign_in_is_recorded_with_who_from_where_by_what_and_under_which_request(service: Running) -> None:
    name = login()
    account_id = service.account(name, PASSWORD, ["inspector"])
    sent = {"User-Agent": "Inspection browser 7", "X-Request-Id": f"req-{name}"}
    body = {"login": name, "password": PASSWORD}
    assert service.client().post("/api/v1/sessions", json=body, headers=sent).status_code == 201
    auditor = service.client_for(["auditor"])
    [signed_in] = events(auditor, account=account_id, kind="signed_in")
    assert signed_in["by"] == signed_in["concerns"] == name.title()
    assert signed_in["byAccountId"] == signed_in["accountId"] == str(account_id)
    assert (signed_in["address"], signed_in["userAgent"]) == ("127.0.0.1", "Inspection browser 7")
    assert signed_in["requestId"] == f"req-{name}"
    assert signed_in["route"] == "POST /api/v1/sessions"
    assert (signed_in["outcome"], signed_in["times"]) == ("done", 1)


def test_a_refused_and_a_throttled_sign_in_name_the_account_where_the_login_is_one(service: Running) -> None:
    name = login()
    account_id = service.account(name, PASSWORD, ["inspector"])
    client = service.client()
    answers = [
        client.post("/api/v1/sessions", json={"login": name, "password": "not the one"}).status_code
        for _ in range(8)
    ]
    assert set(answers) == {401, 429}
    auditor = service.client_for(["auditor"])
    [refused] = events(auditor, account=account_id, kind="sign_in_refused")
    [throttled] = events(auditor, account=account_id, kind="sign_in_throttled")
    for event in (refused, throttled):
        assert (event["by"], event["byAccountId"], event["outcome"]) == (None, None, "refused")
        assert event["concerns"] == name.title()
        assert event["address"] == "127.0.0.1"
    # Every try by itself is on record before its password is looked at, whatever is counted of refusals.
    hashed = "login_hash = sha256(convert_to(%s, 'UTF8'))"
    tried = execute(
        service.settings, f"SELECT id FROM access_events WHERE kind = 'sign_in_tried' AND {hashed}", name
    )
    assert len(tried) == answers.count(401)


def test_the_page_of_sign_in_records_a_refusal_too(service: Running) -> None:
    name = login()
    account_id = service.account(name, PASSWORD, ["inspector"])
    headers = {"Origin": service.url, "Content-Type": "application/x-www-form-urlencoded"}
    answer = service.client().post("/sign-in", content=f"login={name}&password=wrong", headers=headers)
    assert answer.status_code == 401
    [refused] = events(service.client_for(["auditor"]), account=account_id, kind="sign_in_refused")
    assert refused["route"] == "POST /sign-in"


def test_an_event_keeps_the_names_of_its_day(service: Running) -> None:
    administrator_id, token = token_of_person(service.settings, ["administrator"])
    administrator, name, account_id = service.client(token), login(), new_id()
    body = {"login": name, "name": "Anna Before", "roles": ["inspector"], "sites": None}
    made = administrator.put(f"/api/v1/accounts/{account_id}", json=body | {"password": PASSWORD})
    changed = {**body, "name": "Anna After"}
    headers = {"If-Match": made.headers["etag"]}
    assert (
        administrator.put(f"/api/v1/accounts/{account_id}", json=changed, headers=headers).status_code == 200
    )
    execute(service.settings, "UPDATE accounts SET name = 'Renamed' WHERE id = %s", administrator_id)
    found = events(service.client_for(["auditor"]), account=account_id)
    assert [(event["kind"], event["concerns"]) for event in found] == [
        ("account_changed", "Anna After"),
        ("account_made", "Anna Before"),
    ]
    assert {event["by"] for event in found} == {f"Test {administrator_id.hex[-6:]}"}


def test_who_is_refused_an_act_is_recorded_with_act_and_route(service: Running) -> None:
    account_id, token = token_of_person(service.settings, ["inspector"])
    client = service.client(token)
    assert client.get("/api/v1/accounts").status_code == 403
    [refused] = events(service.client_for(["auditor"]), account=account_id)
    assert refused["kind"] == "refused"
    assert refused["detail"] == {"act": "enrol agents and keep accounts"}
    assert refused["route"] == "GET /api/v1/accounts"
    assert refused["byAccountId"] == str(account_id)


def test_a_token_that_is_not_good_any_more_is_recorded_without_it(service: Running) -> None:
    answer = service.client("slp_" + "x" * 40).get("/api/v1/sites")
    assert answer.status_code == 401
    found = events(service.client_for(["auditor"]), kind="token_refused")
    assert found
    assert all("slp_" not in json.dumps(event) for event in found)


async def test_opening_and_downloading_an_original_is_recorded_by_digest(
    service: Running, yard: Yard
) -> None:
    card = yard.card(("A/1.JPG", jpeg(fresh_seed()), claim(yard.inspection_id)))
    await card.go_through()
    digest = card.files[0].sha256
    reader_id, token = token_of_person(service.settings, ["engineer"])
    reader = service.client(token, follow_redirects=False)
    assert reader.get(f"/images/{digest}/original").status_code == 303
    assert reader.get(f"/api/v1/images/{digest}/content").status_code == 303
    assert reader.get(f"/api/v1/images/{digest}/download").status_code == 200
    auditor = service.client_for(["auditor"])
    awaited(lambda: events(auditor, digest=digest, kind="picture_downloaded"))
    found = events(auditor, digest=digest)
    assert [event["kind"] for event in found] == ["picture_downloaded", "picture_opened", "picture_opened"]
    assert {(event["byAccountId"], event["address"]) for event in found} == {(str(reader_id), "127.0.0.1")}
    assert all(event["sites"] == [yard.made.site] and event["digest"] == digest for event in found)
    # Those of the site at which it came in see who opened it, others do not.
    here = service.client_for(["administrator"], [yard.made.site])
    there = service.client_for(["administrator"], [yard.made.other_site])
    assert len(events(here, digest=digest)) == 3
    assert events(there, digest=digest) == []
    line = service.log_with(digest).splitlines()
    logged = [json.loads(text) for text in line if '"access event"' in text and digest in text]
    assert {entry["kind"] for entry in logged} == {"picture_downloaded", "picture_opened"}


def test_administrators_of_some_sites_see_the_events_of_these_alone(service: Running) -> None:
    own, other = f"L{new_id().hex[-8:]}", f"L{new_id().hex[-8:]}"
    for code in (own, other):
        make_site(service.settings, code)
    administrator = service.client_for(["administrator"])
    for code in (own, other):
        administrator.post("/api/v1/enrolment-codes", json={"site": code}).raise_for_status()
    everybody, limited = login(), login()
    service.account(everybody, PASSWORD, ["inspector"])
    limited_id = service.account(limited, PASSWORD, ["inspector"], [own])
    mine = service.client_for(["administrator"], [own])
    found = events(mine)
    assert {(event["kind"], tuple(event["sites"])) for event in found} >= {
        ("code_made", (own,)),
        ("account_made", (own,)),
    }
    assert all(event["sites"] == [own] for event in found)
    assert [event["accountId"] for event in events(mine, kind="account_made")] == [str(limited_id)]
    assert mine.get("/api/v1/access-events", params={"site": other}).status_code == 403
    auditor = service.client_for(["auditor"])
    assert [event["sites"] for event in events(auditor, site=other)] == [[other]]


def test_filters_and_pages_meet_every_event_once(service: Running) -> None:
    site = f"P{new_id().hex[-8:]}"
    make_site(service.settings, site)
    administrator = service.client_for(["administrator"])
    for _ in range(7):
        administrator.post("/api/v1/enrolment-codes", json={"site": site}).raise_for_status()
    auditor = service.client_for(["auditor"])
    whole = events(auditor, site=site)
    assert [event["at"] for event in whole] == sorted((event["at"] for event in whole), reverse=True)
    address = f"/api/v1/access-events?site={site}&limit=3"
    walked: list[str] = []
    while address:
        answer = auditor.get(address)
        walked += [event["id"] for event in answer.json()["items"]]
        address = answer.links.get("next", {}).get("url", "")
    assert walked == [event["id"] for event in whole]
    middle = whole[3]["at"]
    later = events(auditor, site=site, since=middle)
    earlier = events(auditor, site=site, until=middle)
    assert [event["id"] for event in later + earlier] == walked
    assert events(auditor, site=site, address="::ffff:127.0.0.1") == whole
    assert events(auditor, site=site, address="192.0.2.9") == []
    assert events(auditor, site=site, kind="signed_in") == []


@pytest.mark.parametrize(
    "asked",
    [
        {"address": "not one"},
        {"since": "2026-01-01T00:00:00"},
        {"digest": "ab"},
        {"cursor": "e30"},
        {"kind": "A B"},
    ],
)
def test_a_filter_that_cannot_be_read_is_refused(service: Running, asked: dict[str, str]) -> None:
    assert service.client_for(["auditor"]).get("/api/v1/access-events", params=asked).status_code == 400


def test_the_log_as_csv_by_accept_and_by_parameter(service: Running) -> None:
    site = f"C{new_id().hex[-8:]}"
    make_site(service.settings, site)
    service.client_for(["administrator"]).post("/api/v1/enrolment-codes", json={"site": site})
    auditor_id, token = token_of_person(service.settings, ["auditor"])
    auditor = service.client(token)
    by_accept = auditor.get(
        "/api/v1/access-events", params={"site": site}, headers={"Accept": "text/csv; header=present"}
    )
    by_name = auditor.get("/api/v1/access-events", params={"site": site, "format": "csv"})
    assert by_accept.headers["content-type"].startswith("text/csv")
    assert by_accept.content == by_name.content
    rows = list(csv.DictReader(io.StringIO(by_name.text)))
    assert [(row["kind"], row["sites"], row["concerns"]) for row in rows] == [("code_made", site, site)]
    asked = auditor.get("/api/v1/access-events", params={"format": "json"}, headers={"Accept": "text/csv"})
    assert asked.headers["content-type"].startswith("application/json")
    exported = events(service.client_for(["auditor"]), account=auditor_id, kind="exported")
    assert [event["detail"] for event in exported] == [{"rows": 1, "asked": {"site": site}}] * 2


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", "＝"])
def test_no_cell_of_the_csv_is_a_formula(start: str) -> None:
    """OWASP, CSV Injection (from memory)."""
    shown = cell(f"{start}1+1")
    assert shown.startswith("'")
    assert "\n" not in shown
    assert "\r" not in shown


async def test_what_a_command_does_is_done_by_the_command_line(db: Database) -> None:
    async with db.begin() as connection:
        await note(connection, "site_made", concerns="a site")
        query = sa.select(access_events).where(access_events.c.concerns == "a site")
        row = (await connection.execute(query)).mappings().one()
    assert (row["by_name"], row["address"], row["user_agent"]) == ("the command line", None, None)


async def test_an_event_is_a_line_of_the_log_only_if_it_is_committed(
    db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines: list[Any] = []
    monkeypatch.setattr("service.access.noting.log_line", lines.append)

    async def made(site: str, *, broken_off: bool = False) -> None:
        async with db.begin() as connection:
            await note(connection, "site_made", concerns=site)
            assert lines == []
            if broken_off:
                raise RuntimeError

    with asked_from(Origin(acting="the worker")):
        with suppress(RuntimeError):
            await made("never", broken_off=True)
        assert lines == []
        await made("kept")
    assert [(line["concerns"], line["by_name"]) for line in lines] == [("kept", "the worker")]
    assert "login_hash" not in lines[0]


async def test_a_command_tells_the_person_nothing_of_the_log(
    db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines: list[Any] = []
    monkeypatch.setattr("service.access.noting.log_line", lines.append)
    async with db.begin() as connection:
        await note(connection, "site_made", concerns="by a command")
    assert lines == []


async def test_reads_of_pictures_end_by_age_and_nothing_else_does(db: Database) -> None:
    person = await factories.person(db, Role.ENGINEER)
    old, young = new_id().hex * 2, new_id().hex * 2
    by = {"by_account_id": person.account_id, "by_name": person.name}
    long_ago = server_now() - timedelta(days=31)
    rows = [
        {"id": new_id(), "kind": "picture_opened", "at": at, "digest": digest, **by}
        for digest, at in ((old, long_ago), (young, server_now()))
    ]
    async with db.begin() as connection:
        await insert_reads(connection, rows)
        await note(connection, "site_made", at=long_ago)
        events_before = await connection.scalar(sa.select(sa.func.count()).select_from(access_events))
    assert await forget_old_reads(db, 30) == 1
    async with db.begin() as connection:
        kept = set(await connection.scalars(sa.select(picture_reads.c.digest)))
        after = sa.select(access_events).order_by(access_events.c.at.desc()).limit(1)
        last = (await connection.execute(after)).mappings().one()
        events_after = await connection.scalar(sa.select(sa.func.count()).select_from(access_events))
    assert young in kept
    assert old not in kept
    assert events_after == events_before + 1
    assert (last["kind"], last["by_name"]) == ("picture_reads_forgotten", "the worker")
    assert last["detail"] == {"days": 30, "forgotten": 1}


async def test_the_worker_ends_reads_by_the_setting(db: Database, settings: Settings) -> None:
    person = await factories.person(db, Role.ENGINEER)
    by = {"by_account_id": person.account_id, "by_name": person.name}
    kept, gone = new_id().hex * 2, new_id().hex * 2
    ages = {kept: 6, gone: 8}
    async with db.begin() as connection:
        for digest, days in ages.items():
            at = server_now() - timedelta(days=days)
            row = {"id": new_id(), "kind": "picture_opened", "at": at, "digest": digest, **by}
            await insert_reads(connection, [row])
        await jobs.defer(connection, "access:forget_reads", queue=jobs.CUSTODY, timestamp=0)
    subprocess.run(
        [sys.executable, "-m", "service", "worker", "--until-empty"],
        cwd=ROOT,
        env=environment_of(settings, SIGHTLEDGER_PICTURE_READ_DAYS="7"),
        check=True,
        capture_output=True,
        timeout=120,
    )
    async with db.begin() as connection:
        found = sa.select(picture_reads.c.digest).where(picture_reads.c.digest.in_([kept, gone]))
        assert list(await connection.scalars(found)) == [kept]
    [schedule] = tasks.periodic_registry.periodic_tasks.values()
    assert (schedule.task.name, schedule.cron) == ("forget_reads", "23 3 * * *")


async def test_reads_are_kept_for_a_day_at_least(db: Database) -> None:
    with pytest.raises(sa.exc.DBAPIError, match="a day at least"):
        async with db.begin() as connection:
            await forget_reads(connection, 0)


async def test_a_database_that_is_away_keeps_reads_waiting_and_a_full_queue_says_what_it_lost(
    db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.access.actions.keeping.MOST_WAITING", 3)
    person = await factories.person(db, Role.ENGINEER)
    away = Database("postgresql+psycopg://nobody@127.0.0.1:1/none")
    log = AccessLog(away)
    digest = new_id().hex * 2
    for _ in range(5):
        log.read(person, "picture_opened", digest, [])
    await log._write(time.monotonic())
    log._db = db
    await log.close()
    await away.close()
    async with db.begin() as connection:
        reads = sa.select(sa.func.count()).select_from(picture_reads).where(picture_reads.c.digest == digest)
        assert await connection.scalar(reads) == 3
        lost = sa.select(access_events.c.times).where(access_events.c.kind == "picture_reads_lost")
        assert await connection.scalar(lost.order_by(access_events.c.at.desc()).limit(1)) == 2


@pytest.mark.parametrize(
    ("sent", "written"),
    [
        ("2001:DB8:0:0:0:0:0:1", "2001:db8::1"),  # RFC 5952 4
        ("::ffff:192.0.2.1", "192.0.2.1"),
        ("fe80::1%eth0", "fe80::1"),
        ("[2001:db8::1]:4711", "2001:db8::1"),
        ("192.0.2.1:4711", "192.0.2.1"),
        (" 192.0.2.1 ", "192.0.2.1"),
        ("unknown", None),
        ("192.0.2.1\n", "192.0.2.1"),
        ("=1+1", None),
        ("", None),
    ],
)
def test_an_address_is_written_in_one_way(sent: str, written: str | None) -> None:
    assert canonical_address(sent) == written


def test_only_a_trusted_proxy_says_where_a_request_comes_from() -> None:
    forwarded = ["203.0.113.7, 198.51.100.2", "192.0.2.33"]
    assert address_of("127.0.0.1", forwarded, trusted_proxy=False) == "127.0.0.1"
    assert address_of("127.0.0.1", forwarded, trusted_proxy=True) == "192.0.2.33"


def test_a_user_agent_is_short_and_plain() -> None:
    assert plain_user_agent("x" * 5000) == "x" * 200
    assert plain_user_agent("a\x1b[31m\u202eb") == "a\\u{001B}[31m\\u{202E}b"
    assert plain_user_agent("") is None


VALUES = {"kind": "refused", "by_name": "A. Person", "route": "GET /x", "detail": {"act": "read"}}


def test_the_same_refusal_counts_up_for_a_minute() -> None:
    repeats = Repeats()
    rows = [repeats.recorded("anna", "read", VALUES, now) for now in (0.0, 1.0, 59.9)]
    assert [row and row["times"] for row in rows] == [1, None, None]
    assert repeats.ended(59.9) == []
    assert repeats.ended(WINDOW_S) == [VALUES | {"times": 2}]
    assert not repeats
    assert repeats.recorded("anna", "read", VALUES, 61.0) == VALUES | {"times": 1}


def test_no_refusal_is_counted_twice_or_not_at_all() -> None:
    repeats, rows = Repeats(), []
    for n in range(1000):
        rows.append(repeats.recorded(f"p{n % 3}", f"w{n % 17}", VALUES, n / 5))
        if n % 40 == 0:
            rows += repeats.ended(n / 5)
    rows += repeats.ended(float("inf"))
    assert sum(row["times"] for row in rows if row is not None) == 1000


def test_many_different_refusals_of_one_caller_become_one_row() -> None:
    repeats = Repeats()
    rows = [repeats.recorded("anna", f"act {n}", VALUES, 0.0) for n in range(500)]
    written = [row for row in rows if row is not None]
    assert len(written) == APART + 1
    assert (written[-1]["concerns"], written[-1]["route"], written[-1]["by_name"]) == (
        FURTHER,
        None,
        "A. Person",
    )
    assert [row["times"] for row in repeats.ended(WINDOW_S)] == [500 - APART - 1]


def test_very_many_callers_do_not_fill_the_memory() -> None:
    repeats = Repeats()
    rows = [repeats.recorded(f"p{n}", "read", VALUES, 0.0) for n in range(MOST_RUNNING + 500)]
    written = [row for row in rows if row is not None]
    assert len(written) == MOST_RUNNING + 1
    assert (written[-1]["concerns"], written[-1]["by_name"]) == (OF_MANY, None)

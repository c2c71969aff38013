"""Flat cards with slates through agent and service, and a person who settles what they left open.

Pictures of slates are synthetic (tests/agent/slate_views.py).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from uuid import UUID

import httpx
import pytest

from agent.cards.marker import read_marker
from agent.slates.code import Slate
from service.contract.wire import new_id
from tests.agent.sites import Site, make_site
from tests.agent.slate_views import View, seen
from tests.agent.station import jpeg, put
from tests.live_service import Running
from tests.web.chromium import (
    BEYOND,
    DESK,
    PHONE,
    SMALL_TARGETS,
    WEAK_TEXT,
    needs_chromium,
    opened_chromium,
)
from tests.web.wellformed import Outline

NO_SLATE = "no slate was pictured before it on the card"


@pytest.fixture(scope="module")
def site(service: Running, database_url: str, tmp_path_factory: pytest.TempPathFactory) -> Site:
    return make_site(service, database_url, tmp_path_factory.mktemp("slates"))


def bring_back(site: Site, card: Path, shots: list[bytes | str]) -> tuple[str, UUID]:
    """Prepare a flat card, take the shots (a text is the slate of that location), read it and push; what the
    agent said, and the card return."""
    card.mkdir(exist_ok=True)
    site.agent("prepare", site.unit, "--card", str(card), "--profile", "flat-slate", "--scope", "VS-1")
    marker = read_marker(card)
    assert marker is not None
    for number, shot in enumerate(shots, 1):
        # An easy view: the inspection's id, and so the code, is another one in every run.
        view = View(number, (640, 480), 0.5, tilt=0.02, noise=3)
        data = seen([Slate(marker.inspection_id, shot)], view) if isinstance(shot, str) else shot
        put(card, f"DCIM/100TWVS_/TWVS{number:04}.JPG", data)
    said = site.agent("read", str(card), "--push")
    return said, UUID(site.status()["cardReturns"][0]["id"])


def held(site: Site) -> dict[str, int]:
    worklist = site.service.agent_client(site.code).get(f"/api/v1/sites/{site.code}/worklist").json()
    return {one["key"]: one["picturesHeld"] for one in worklist["inspections"][0]["locations"]}


def browser_of(site: Site, roles: list[str]) -> httpx.Client:
    client = site.service.client_for(roles, [site.code])
    client.headers["Accept"] = "text/html"
    return client


def page_of(client: httpx.Client, address: str) -> Outline:
    answer = client.get(address)
    assert answer.status_code == 200, answer.text[:400]
    page = Outline(answer.text)
    assert page.faults == []
    return page


def hidden(client: httpx.Client, address: str) -> dict[str, str]:
    text = client.get(address).text
    return dict(re.findall(r'<input type="hidden" name="([\w-]+)" value="([^"]+)"', text))


def test_slates_place_what_follows_and_the_counts_know_pictures_from_slates(site: Site) -> None:
    before = held(site)
    said, return_id = bring_back(site, site.card, ["A", jpeg(801), jpeg(802), "B", jpeg(803), "A", jpeg(804)])
    assert "not placed" not in said
    after = held(site)
    assert {key: after[key] - before[key] for key in "AB"} == {"A": 3, "B": 1}
    recorded = site.get(f"/card-returns/{return_id}")
    assert (recorded["files"], recorded["notPlaced"], recorded["remarks"]) == (7, 0, [])
    files = site.get(f"/card-returns/{return_id}/files")["items"]
    assert [(one["location"], one["rule"], one["marks"]) for one in files] == [
        ("A", "slate", ["slate"]), ("A", "slate", []), ("A", "slate", []), ("B", "slate", ["slate"]),
        ("B", "slate", []), ("A", "slate", ["slate"]), ("A", "slate", []),
    ]  # fmt: skip
    image = site.get(f"/images/{files[1]['digest']}")
    assert image["sightings"][0]["placements"][0]["confidence"] == 0.95
    page = page_of(browser_of(site, ["auditor"]), f"/units/{site.unit}/images/{files[1]['digest']}")
    assert "confidence 95 %" in page.text


def test_i12_what_no_slate_placed_is_settled_by_a_person_and_the_move_undone(
    site: Site, tmp_path: Path
) -> None:
    before = held(site)
    said, return_id = bring_back(site, tmp_path / "open", [jpeg(811), jpeg(812), jpeg(813), "B", jpeg(814)])
    assert f"3 pictures, DCIM/100TWVS_/TWVS0001.JPG to DCIM/100TWVS_/TWVS0003.JPG: {NO_SLATE}" in said
    recorded = site.get(f"/card-returns/{return_id}")
    assert recorded["notPlaced"] == 3
    (remark,) = recorded["remarks"]
    assert remark.startswith(f"3 files kept but not placed: {NO_SLATE}")
    assert held(site)["B"] == before["B"] + 1

    lead, address = browser_of(site, ["shift_lead"]), f"/card-returns/{return_id}/open"
    assert f"/card-returns/{return_id}/open" in page_of(lead, f"/units/{site.unit}").links
    assert address in page_of(lead, "/card-returns").links
    page = page_of(lead, address)
    assert NO_SLATE in page.text
    picks = re.findall(r'name="pick" value="([^"]+)"', lead.get(address).text)
    assert len(picks) == 3
    form = {
        **hidden(lead, address),
        "location": "A",
        "element": "",
        "question": "",
        "reason": "seen on the picture",
    }
    sent = {**form, "pick": picks[:2]}

    for broken in ({"location": "NO.SUCH"}, {"reason": "?"}, {"inspection": "x"}, {"pick": ["q1"]}):
        assert lead.post(address, data={**sent, **broken}).status_code in (400, 422), broken
    assert lead.post(address, data={**sent, "pick": []}).status_code == 422
    foreign = {"Sec-Fetch-Site": "cross-site"}
    cookie = _signed_in(site)
    assert cookie.post(address, data=sent, headers=foreign).status_code == 403
    assert browser_of(site, ["inspector"]).post(address, data=sent).status_code == 403
    assert held(site)["A"] == before["A"]

    for _ in range(2):
        answer = lead.post(address, data=sent)
        assert answer.status_code == 303
    assert "2 pictures were moved" in page_of(lead, answer.headers["location"]).text
    assert held(site)["A"] == before["A"] + 2
    (question,) = re.findall(r'<option value="([^"]+)">all 1: no slate', lead.get(address).text)
    rest = {**hidden(lead, address), "location": "C", "question": question, "reason": "all that is left"}
    first_answer = lead.post(address, data=rest)
    assert first_answer.status_code == 303
    again = lead.post(address, data=rest)
    assert (again.status_code, again.headers["location"]) == (303, first_answer.headers["location"])
    assert "Nothing is open" in page_of(lead, address).text
    assert held(site)["C"] == before["C"] + 1

    undo = {"move": str(new_id()), "reason": "it was the other place"}
    first = form["move"]
    answer = lead.post(f"/units/{site.unit}/moves/{first}/undo", data=undo)
    assert answer.status_code == 303
    assert held(site)["A"] == before["A"]
    page = page_of(lead, f"/units/{site.unit}")
    assert "it was the other place" in page.text
    assert "Undone by a later move" in page.text
    assert f"Not placed: {NO_SLATE}" in page.text
    assert page_of(lead, address).text.count(NO_SLATE) > 2
    again = lead.post(f"/units/{site.unit}/moves/{first}/undo", data={**undo, "move": str(new_id())})
    assert again.status_code == 409


def _signed_in(site: Site) -> httpx.Client:
    """A browser with a session cookie instead of a token."""
    login = f"lead-{new_id().hex}"
    site.service.account(login, "a password of the tests", ["shift_lead"], [site.code])
    client = site.service.client()
    client.headers["Accept"] = "text/html"
    signed = client.post(
        "/sign-in",
        data={"login": login, "password": "a password of the tests"},
        headers={"Sec-Fetch-Site": "same-origin"},
    )
    assert signed.status_code == 303
    return client


def test_another_site_sees_nothing_of_it(site: Site, tmp_path: Path) -> None:
    _, return_id = bring_back(site, tmp_path / "theirs", [jpeg(841)])
    elsewhere = site.service.client_for(["shift_lead"], ["NOWHERE"])
    elsewhere.headers["Accept"] = "text/html"
    assert elsewhere.get(f"/card-returns/{return_id}/open").status_code == 404
    assert str(return_id) not in elsewhere.get("/card-returns").text
    assert elsewhere.post(f"/card-returns/{return_id}/open", data={"pick": "x"}).status_code in (403, 404)


@pytest.fixture
def chromium() -> Iterator[Any]:
    with opened_chromium() as opened:
        yield opened


@needs_chromium
def test_the_pages_of_card_returns_fit_a_phone_and_a_desk_and_are_worked_by_hand(
    site: Site, chromium: Any, tmp_path: Path
) -> None:
    _, return_id = bring_back(site, tmp_path / "shown", [jpeg(n) for n in range(821, 830)])
    login = f"lead-{new_id().hex}"
    site.service.account(login, "a password of the tests", ["shift_lead"], [site.code])
    context = chromium.new_context(viewport=PHONE, java_script_enabled=True)
    page = context.new_page()
    page.goto(f"{site.service.url}/card-returns/{return_id}/open")
    page.get_by_label("Account").fill(login)
    page.get_by_label("Password").fill("a password of the tests")
    page.keyboard.press("Enter")
    page.wait_for_url("**/open")
    for size in (PHONE, DESK):
        page.set_viewport_size(size)
        for address in (f"/card-returns/{return_id}/open", "/card-returns", f"/units/{site.unit}"):
            page.goto(site.service.url + address, wait_until="networkidle")
            wider = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
            assert page.evaluate(wider) == 0, f"{address}: {page.evaluate(BEYOND)}"
            assert page.evaluate(SMALL_TARGETS) == [], address
            assert page.evaluate(WEAK_TEXT) == [], address
    page.goto(f"{site.service.url}/card-returns/{return_id}/open")
    page.get_by_label("Location").select_option("A")
    page.get_by_label("Reason").fill("settled on a phone")
    for box in page.get_by_role("checkbox").all()[:3]:
        box.check()
    page.get_by_role("button", name="Move them there").click()
    page.get_by_text("3 pictures were moved.").wait_for()
    context.close()

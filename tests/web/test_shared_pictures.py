"""Pages of one picture at two places, of pictures at no location, and of what a card return left open."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any
from uuid import UUID

import httpx
import pytest

from service.database import EVERY_SITE, Database
from tests import factories
from tests.campaigns import steps
from tests.live_service import Running
from tests.web.chromium import BEYOND, DESK, PHONE, SMALL_TARGETS, WEAK_TEXT, needs_chromium
from tests.web.factories import TAKEN, Card, Picture, hold, jpeg
from tests.web.scene import Pages
from tests.web.wellformed import shown

MANY = 130


@dataclass
class Shared:
    """Units by what they stand for, and the card return that left pictures open."""

    site: str
    campaign: UUID
    silent: UUID
    twice: str
    unplaced: str
    marked: str
    crowded: str
    open_return: UUID
    picture: Picture


@pytest.fixture(scope="session")
def shared(service: Running) -> Shared:
    return asyncio.run(_seed(service))


async def _seed(service: Running) -> Shared:
    db = Database(service.settings.database_url, scope=EVERY_SITE)
    try:
        made = await factories.fleet(db)
        *serials, alone = await factories.add_units(db, made, 5)
        silent = await steps.campaign(db, made, [alone], "Pictures at no location")
        opened = await steps.campaign(db, made, serials, "Pictures at two places")
        twice, unplaced, marked, crowded = serials
        at = {row.unit: row.id for row in await steps.rows(db, opened.id)}
        workstation = await factories.agent(db, made, made.site)

        def card(serial: str) -> Card:
            return Card(made.sites[made.site], workstation.id, at[serial])

        same = Picture("A", jpeg(1), "A/TWVS0001.JPG")
        again = [
            replace(same, location="B", path="B/TWVS0001.JPG", ordinal=1),
            Picture("A", jpeg(2), ordinal=2),
        ]
        await hold(db, card(twice), [same, *again])
        left = card(unplaced)
        loose = [Picture(None, jpeg(10 + n), f"DCIM/TWVS{n:04}.JPG", n) for n in range(3)]
        await hold(db, left, [*loose, replace(same, location=None, path="DCIM/TWVS0009.JPG", ordinal=9)])
        cut = Picture("A", jpeg(20), "A/CUT.JPG", marks=("truncated",))
        await hold(db, card(marked), [cut])
        often = Picture("C", jpeg(30), "C/0000.JPG", taken=TAKEN - timedelta(days=1))
        sightings = [replace(often, path=f"C/{n:04}.JPG", ordinal=n) for n in range(MANY)]
        await hold(db, card(crowded), sightings)
        (only,) = await steps.rows(db, silent.id)
        loose = [Picture(None, jpeg(40 + n), f"DCIM/X{n}.JPG", n) for n in range(2)]
        await hold(db, Card(made.sites[made.site], workstation.id, only.id), loose)
        return Shared(made.site, opened.id, silent.id, twice, unplaced, marked, crowded, left.id, same)
    finally:
        await db.close()


def addresses(shared: Shared) -> list[str]:
    return [
        f"/units/{shared.twice}",
        f"/units/{shared.twice}/images/{shared.picture.digest}",
        f"/units/{shared.unplaced}",
        f"/units/{shared.marked}",
        f"/campaigns/{shared.campaign}",
        f"/?campaign={shared.campaign}",
        f"/?campaign={shared.silent}",
        f"/card-returns/{shared.open_return}/open",
    ]


def test_a_picture_that_counts_at_two_places_is_said_where_it_is_shown_and_counted(
    shared: Shared, pages: Pages
) -> None:
    client = pages(["auditor"])
    text = shown(client, f"/units/{shared.twice}").text
    assert text.count("Also at:") == 2
    assert "one picture answers for each" in text
    assert text.count("1 of them also elsewhere") == 2
    image = shown(client, f"/units/{shared.twice}/images/{shared.picture.digest}").text
    assert "More than one place: one picture answers for each." in image
    open_page = shown(client, f"/card-returns/{shared.open_return}/open").text
    assert open_page.count("Counts already at:") == 1


def test_i11_no_data_is_not_said_beside_pictures_that_count_at_no_location(
    shared: Shared, pages: Pages
) -> None:
    client = pages(["auditor"])
    text = shown(client, f"/units/{shared.unplaced}").text
    assert "4 pictures stand at no location" in text
    assert "o data yet" not in text
    assert "othing stated; 4 pictures came in and count at no location" in text
    marked = shown(client, f"/units/{shared.marked}").text
    assert "o data yet" not in marked
    assert "nothing stated, no picture that counts" in marked
    assert "1 marked, not counted" in marked
    listed = shown(client, f"/campaigns/{shared.campaign}").text
    assert "no data yet" not in listed
    assert "nothing stated; 4 pictures came in and count at no location" in listed
    summed = shown(client, f"/?campaign={shared.silent}").text
    assert "no data yet" not in summed
    assert summed.count("nothing stated; 2 pictures came in and count at no location") == 2


def test_more_sightings_than_a_page_are_turned_over(shared: Shared, pages: Pages) -> None:
    client = pages(["auditor"])
    digest = shown(client, f"/units/{shared.crowded}").links
    [address] = sorted({link for link in digest if "/images/" in link and shared.crowded in link})
    seen: list[str] = []
    while True:
        page = shown(client, address)
        seen += re.findall(r"Sighting \d+: (C/\d{4}\.JPG)", page.text)
        further = [link for link in page.links if "cursor=" in link]
        if not further:
            break
        address = address.split("?")[0] + further[0].split("#")[0]
    assert sorted(seen) == [f"C/{n:04}.JPG" for n in range(MANY)]


def _form(client: httpx.Client, address: str) -> tuple[dict[str, str], str, str]:
    """The hidden fields of the page's form; the field that picks all of one question, and its value."""
    text = client.get(address).text
    hidden = dict(re.findall(r'<input type="hidden" name="([\w-]+)" value="([^"]*)"', text))
    choices = re.findall(r'<select id="f-[a-z]+" name="([a-z]+)">(.*?)</select>', text, re.DOTALL)
    for name, options in choices:
        if found := re.findall(r'<option value="([^"]+)">all \d+:', options):
            return hidden, name, found[0]
    raise AssertionError("no question is offered")


def test_i8_all_of_one_question_sent_twice_gives_the_same_answer(service: Running) -> None:
    scene = asyncio.run(_seed(service))
    lead = service.client_for(["shift_lead"], [scene.site])
    lead.headers["Accept"] = "text/html"
    address = f"/card-returns/{scene.open_return}/open"
    hidden, name, value = _form(lead, address)
    form = {**hidden, name: value, "location": "C", "element": "", "reason": "all of it is C"}
    answers = [lead.post(address, data=form) for _ in range(3)]
    assert [answer.status_code for answer in answers] == [303] * 3, answers[-1].text[:300]
    assert len({answer.headers["location"] for answer in answers}) == 1
    assert "4 pictures were moved" in lead.get(answers[0].headers["location"]).text
    other = {**form, "reason": "another reason"}
    assert lead.post(address, data=other).status_code == 409, "the same id with other content is refused"


@contextmanager
def _opened(browser: Any, session: dict[str, str], size: dict[str, int]) -> Iterator[Any]:
    context = browser.new_context(viewport=size)
    context.add_cookies([session])
    yield context.new_page()
    context.close()


@needs_chromium
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_these_pages_fit_and_read_well(
    size: dict[str, int], browser: Any, session: dict[str, str], shared: Shared, service: Running
) -> None:
    with _opened(browser, session, size) as page:
        for address in addresses(shared):
            page.goto(service.url + address, wait_until="networkidle")
            wider = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
            assert page.evaluate(wider) == 0, f"{address}: {page.evaluate(BEYOND)}"
            assert page.evaluate(SMALL_TARGETS) == [], address
            assert page.evaluate(WEAK_TEXT) == [], address

"""What stands open beside "complete", and statements that were not taken, as pages show them."""

from __future__ import annotations

import asyncio
import re
from contextlib import closing
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

import httpx
import pytest

from service.access.rules import Caller, Role
from service.campaigns.actions import opening, reading, stating
from service.campaigns.actions.stating import TurnedDown
from service.contract.campaigns import CampaignIn
from service.contract.wire import new_id
from service.contract.work import StatementIn
from service.database import EVERY_SITE, Database, server_now
from service.errors import Invalid
from service.intake.actions.refused import keep_refused
from tests import factories
from tests.live_service import Running
from tests.web.chromium import BEYOND, SMALL_TARGETS, WEAK_TEXT, needs_chromium
from tests.web.factories import TAKEN, Card, Picture, hold, jpeg
from tests.web.scene import Pages
from tests.web.wellformed import shown

HOSTILE = "<img src=x onerror=alert(1)>"


@dataclass
class Blocked:
    """A unit that was stated complete while something stands open."""

    fleet: factories.Fleet
    campaign: UUID
    serial: str
    unplaced_only: str
    inspection: UUID
    card_return: UUID
    speaker: str

    @property
    def addresses(self) -> list[str]:
        return [
            f"/?campaign={self.campaign}",
            f"/campaigns/{self.campaign}",
            f"/units/{self.serial}",
            "/card-returns",
            f"/card-returns/{self.card_return}/open",
        ]


@pytest.fixture(scope="module")
def blocked(service: Running) -> Blocked:
    return asyncio.run(_seed(service.settings.database_url))


async def _seed(url: str) -> Blocked:
    db = Database(url, scope=EVERY_SITE)
    try:
        made = await factories.fleet(db)
        serial, unplaced_only = await factories.add_units(db, made, 2)
        manager = await factories.person(db, Role.MANAGER)
        wanted = CampaignIn(
            name=f"Blocked {made.name}",
            plan=made.plan,
            opens=date(2026, 9, 1),
            closes=date(2026, 11, 30),
            units=[serial, unplaced_only],
        )
        campaign = await opening.put_campaign(db, manager, new_id(), wanted, unchanged=None)
        rows, _ = await reading.list_inspections(
            db, manager, campaign.id, site=None, state=None, after=None, limit=10
        )
        first, second = (row.id for row in sorted(rows, key=lambda row: row.unit != serial))
        agent = await factories.agent(db, made, made.site)
        card = Card(made.sites[made.site], agent.id, first)
        beyond = [Picture("A", jpeg(n), f"A/{n}.JPG", n, evaluation="refer") for n in range(5)]
        loose = [Picture(None, jpeg(n), f"{n}.JPG", n) for n in range(5, 20)]
        await hold(db, card, beyond + loose)
        await hold(
            db, Card(made.sites[made.site], agent.id, second), [Picture(None, jpeg(n)) for n in range(4)][:1]
        )
        lead = await factories.person(db, Role.SHIFT_LEAD)
        for key, speaker in ((None, "Ines Marrow"), ("A", lead.name)):
            statement = StatementIn(
                id=new_id(),
                inspection_id=first,
                kind="complete",
                locations=None if key is None else [key],
                stated_by=speaker,
            )
            await stating.make_statement(db, lead, statement)
        await _refuse(db, lead, card, first, HOSTILE)
        return Blocked(made, campaign.id, serial, unplaced_only, first, card.id, "Ines Marrow")
    finally:
        await db.close()


async def _refuse(db: Database, lead: Caller, card: Card, inspection_id: UUID, note: str) -> None:
    wrong = StatementIn(
        id=new_id(),
        inspection_id=inspection_id,
        kind="not_inspected",
        locations=["B"],
        reason="no time",
        note=note,
        stated_by="Bo Tarrant",
        stated_at=TAKEN,
    )
    unknown = StatementIn(id=new_id(), inspection_id=new_id(), kind="complete", locations=["Z"])
    why = Invalid("'no time' is not a reason for not inspecting a location.", next_step="Give a term.")
    async with db.begin() as connection:
        turned = [TurnedDown(wrong, why), TurnedDown(unknown, Invalid("There is no such inspection."))]
        await keep_refused(connection, lead, card.id, turned, server_now())


def test_complete_by_statements_stands_beside_what_blocks_it(blocked: Blocked, pages: Pages) -> None:
    text = shown(pages([Role.AUDITOR]), f"/units/{blocked.serial}").text
    assert "Inspection complete by statements, and blocked." in text
    told = text.split("Complete by statements. Beside that stands open:")[1][:300]
    assert "5 pictures whose evaluation requires engineering" in told
    assert "15 pictures at no location" in told
    assert "2 locations called complete with too few pictures" in told
    # Five of two held at A, none of two at B and C.
    assert "2 of 6 required pictures held" in text
    assert "5 of 2" in text
    assert "0 of 2 2 too few" in text
    assert "33.3 % of the required pictures" in text


@pytest.mark.parametrize("which", ["/?campaign={}", "/campaigns/{}"])
def test_the_rollup_has_a_column_of_what_stands_open(which: str, blocked: Blocked, pages: Pages) -> None:
    client = pages([Role.AUDITOR])
    text = shown(client, which.format(blocked.campaign)).text
    for words in ("5 to engineering", "at no location", "2 complete, too few", "of the required pictures"):
        assert words in text, words
    assert "5 of 12" not in text
    listed = shown(client, f"/campaigns/{blocked.campaign}?state=blocked").text
    assert blocked.serial in listed
    assert blocked.unplaced_only not in listed


def test_a_picture_at_no_location_is_data(blocked: Blocked, pages: Pages) -> None:
    text = shown(pages([Role.AUDITOR]), f"/units/{blocked.unplaced_only}").text
    assert "1 picture stands at no location" in text
    assert "no data yet" not in text
    assert "Stands open, whatever is stated:" in text


def test_who_entered_a_statement_stands_beside_who_made_it(blocked: Blocked, pages: Pages) -> None:
    page = pages([Role.AUDITOR]).get(f"/units/{blocked.serial}").text
    briefly = re.findall(r'<span class="sub">\s*(.*?)\s*; recorded', page)
    assert briefly
    assert {bool(re.fullmatch(r"Ines Marrow, entered by Person \w+", who)) for who in briefly} == {
        True,
        False,
    }
    # In his own name nobody entered it for him.
    assert any(re.fullmatch(r"Person \w+", who) for who in briefly)


def test_a_refused_statement_is_named_with_its_reason_until_somebody_deals_with_it(
    blocked: Blocked, pages: Pages
) -> None:
    client = pages([Role.AUDITOR])
    assert "1 statement was not taken" in shown(client, f"/units/{blocked.serial}").text
    assert "2 statements not taken" in shown(client, "/card-returns").text
    address = f"/card-returns/{blocked.card_return}/open"
    text = shown(client, address).text
    assert "'no time' is not a reason for not inspecting a location." in text
    assert "Bo Tarrant, entered by workstation" in text
    assert "An inspection that is not known at this site" in text
    assert "An inspector or a shift lead of the site deals with it." in text
    assert HOSTILE in text
    assert HOSTILE not in client.get(address).text
    assert client.get(address).text.count("<form") == 1  # signing out


def forms(client: httpx.Client, address: str) -> list[tuple[str, dict[str, str]]]:
    """Each form's address and fields as a browser would send them untouched."""
    found = []
    for action, body in re.findall(
        r'<form[^>]*action="([^"]*/refused/[^"]*)"[^>]*>(.*?)</form>', client.get(address).text, re.DOTALL
    ):
        fields = dict(re.findall(r'<input[^>]*name="(\w+)" value="([^"]*)"', body))
        for name, options in re.findall(r'<select[^>]*name="(\w+)">(.*?)</select>', body, re.DOTALL):
            chosen = re.search(r'<option value="([^"]*)" selected', options)
            fields[name] = chosen[1] if chosen else re.findall(r'<option value="([^"]*)"', options)[0]
        found.append((action, fields))
    return found


def test_a_person_states_anew_or_dismisses_what_was_refused(service: Running, pages: Pages) -> None:
    made = asyncio.run(_seed(service.settings.database_url))
    client, address = pages([Role.SHIFT_LEAD]), f"/card-returns/{made.card_return}/open"
    anew, dismiss, unknown = forms(client, address)
    assert (anew[1]["kind"], anew[1]["locations"], anew[1]["speaker"]) == ("not_inspected", "B", "Bo Tarrant")
    sent = {**anew[1], "reason": "not_inspected_reason:blocked", "why": "the reason is in the list now"}
    wrong = client.post(anew[0], data={**sent, "locations": "NOWHERE"})
    assert wrong.status_code == 422
    assert "not a location" in wrong.text
    assert client.post(dismiss[0], data={**dismiss[1], "why": " "}).status_code == 400
    for _ in range(2):
        answer = client.post(anew[0], data=sent)
        assert answer.status_code == 303, answer.text
    done = shown(client, answer.headers["location"]).text
    assert "Dealt with." in done
    assert "Stated anew by" in done
    assert client.post(dismiss[0], data={**dismiss[1], "why": "too late"}).status_code == 409
    assert client.post(unknown[0], data={**unknown[1], "why": "nothing of ours"}).status_code == 303
    unit = shown(client, f"/units/{made.serial}").text
    assert "Bo Tarrant, entered by" in unit
    assert "not taken" not in unit
    assert forms(client, address) == []


@needs_chromium
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [(390, 844), (1440, 900)], ids=["phone", "desk"])
def test_these_pages_fit_and_read_well(
    size: tuple[int, int],
    scheme: str,
    browser: Any,
    blocked: Blocked,
    service: Running,
) -> None:
    from service.access.auth import SESSION_COOKIE
    from tests.live_service import token_of_person

    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, color_scheme=scheme)
    token = token_of_person(service.settings, ["shift_lead"])[1]
    context.add_cookies([{"name": SESSION_COOKIE, "value": token, "url": service.url}])
    with closing(context):
        page = context.new_page()
        for address in blocked.addresses:
            page.goto(service.url + address, wait_until="networkidle")
            page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
            wider = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
            assert page.evaluate(wider) == 0, f"{address}: {page.evaluate(BEYOND)}"
            assert page.evaluate(SMALL_TARGETS) == [], address
            assert page.evaluate(WEAK_TEXT) == [], address

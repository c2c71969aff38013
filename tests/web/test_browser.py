"""Pages in Chromium: on a phone, in sunlight and in the dark, with a keyboard, without scripts."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import psycopg
import pytest

from service.contract.wire import new_id
from tests.live_service import Running, driver_url
from tests.web.chromium import BEYOND, DESK, PHONE, SMALL_TARGETS, WEAK_TEXT, needs_chromium
from tests.web.scene import Scene, addresses

pytestmark = needs_chromium


@pytest.fixture
def crowded(service: Running) -> Iterator[None]:
    """A campaign and a site with the longest names there may be, and the counts of a very large fleet."""
    site, campaign = new_id(), new_id()
    long = "W" * 200
    with psycopg.connect(driver_url(service.settings)) as connection:
        connection.execute(
            "INSERT INTO sites (id, code, name, kind, time_zone) VALUES (%s, %s, %s, 'works', 'Etc/UTC')",
            (site, f"L{site.hex[-10:]}".ljust(64, "X"), long),
        )
        connection.execute(
            "INSERT INTO campaigns (id, name, plan_id, opens, closes, version, created_at, created_by) "
            "SELECT %s, %s, plan_id, opens, closes, 1, now(), created_by FROM campaigns LIMIT 1",
            (campaign, long),
        )
        connection.execute(
            "INSERT INTO completion (campaign_id, site_id, type_id, locations, complete, pictures_required, "
            "pictures_held) SELECT %s, %s, type_id, 987654321, 123456789, 98765432109, 12345678901 "
            "FROM inspections LIMIT 1",
            (campaign, site),
        )
    yield
    with psycopg.connect(driver_url(service.settings)) as connection:
        connection.execute("DELETE FROM completion WHERE campaign_id = %s", (campaign,))
        connection.execute("DELETE FROM campaigns WHERE id = %s", (campaign,))
        connection.execute("DELETE FROM sites WHERE id = %s", (site,))


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_pages_fit_read_well_and_raise_no_error(
    size: dict[str, int],
    scheme: str,
    browser: Any,
    session: dict[str, str],
    scene: Scene,
    crowded: None,
    service: Running,
) -> None:
    context = browser.new_context(viewport=size, color_scheme=scheme)
    context.add_cookies([session])
    page = context.new_page()
    faults: list[str] = []
    page.on("console", lambda said: faults.append(said.text) if said.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("requestfailed", lambda request: faults.append(f"failed: {request.url}"))
    for address in [*addresses(scene), "/access-log", "/sign-in"]:
        page.goto(service.url + address, wait_until="networkidle")
        wider = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert page.evaluate(wider) == 0, f"{address}: {page.evaluate(BEYOND)}"
        assert page.evaluate(SMALL_TARGETS) == [], address
        assert page.evaluate(WEAK_TEXT) == [], address
        assert faults == [], address
    context.close()


def test_pictures_of_the_store_are_drawn(
    browser: Any, session: dict[str, str], scene: Scene, service: Running
) -> None:
    context = browser.new_context(viewport=DESK)
    context.add_cookies([session])
    page = context.new_page()
    page.goto(f"{service.url}/units/{scene.worked}/images/{scene.first.digest}", wait_until="networkidle")
    assert page.evaluate("document.querySelector('.whole img').naturalWidth") == 640
    page.goto(f"{service.url}/units/{scene.worked}?element=30&location=A", wait_until="networkidle")
    page.locator(".pictures img").first.scroll_into_view_if_needed()
    page.wait_for_function("document.querySelector('.pictures img').naturalWidth === 320")
    context.close()


def test_a_person_signs_in_by_keyboard_and_lands_where_he_was_going(
    browser: Any, scene: Scene, service: Running
) -> None:
    login, password = f"page-{new_id().hex}", "a password of the tests"
    service.account(login, password, ["inspector"], [scene.fleet.site])
    context = browser.new_context(viewport=PHONE, java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{service.url}/units/{scene.worked}")
    page.get_by_label("Account").focus()
    page.keyboard.type(login)
    page.keyboard.press("Tab")
    page.keyboard.type(password)
    page.keyboard.press("Enter")
    page.wait_for_url(f"{service.url}/units/{scene.worked}")
    page.get_by_role("link", name="Completion").click()
    page.get_by_label("Campaign").select_option(str(scene.campaign))
    page.get_by_role("button", name="Show").click()
    page.wait_for_url(lambda url: f"campaign={scene.campaign}" in url)
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url(f"{service.url}/sign-in")
    context.close()

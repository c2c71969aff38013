"""Pages in Chromium: on a phone, in sunlight and in the dark, with a keyboard, without scripts."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest

from service.access.auth import SESSION_COOKIE
from service.contract.wire import new_id
from tests.live_service import Running, driver_url, token_of_person
from tests.web.scene import Scene
from tests.web.test_pages import addresses

CHROMIUM = Path("/usr/bin/chromium")
pytestmark = pytest.mark.skipif(
    not CHROMIUM.exists(), reason=f"{CHROMIUM} is absent; install the Debian package chromium"
)
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 900}
GLOVE = 44  # px; WCAG 2.2 target size (enhanced), 2.5.5

SMALL_TARGETS = """() => [...document.querySelectorAll('a, button, input, select, summary')]
  .filter(each => each.type !== 'hidden' && !each.closest('.skip, dd, details:not([open]) > :not(summary)'))
  .map(each => [each.outerHTML.slice(0, 90), each.getBoundingClientRect()])
  .filter(([, box]) => box.width > 0 && (box.height < GLOVE - 0.1 || box.width < GLOVE - 0.1))
  .map(([html, box]) => `${html} ${box.width} x ${box.height}`)""".replace("GLOVE", str(GLOVE))

# Contrast of every text against what lies behind it (WCAG 2.2, 1.4.3; relative luminance as defined there).
WEAK_TEXT = """() => {
  const channel = value => value <= 0.04045 ? value / 12.92 : ((value + 0.055) / 1.055) ** 2.4;
  const numbers = colour => colour.match(/[\\d.]+/g).map(Number);
  const luminance = ([r, g, b]) =>
    0.2126 * channel(r / 255) + 0.7152 * channel(g / 255) + 0.0722 * channel(b / 255);
  const behind = each => {
    for (; each; each = each.parentElement) {
      const colour = numbers(getComputedStyle(each).backgroundColor);
      if (colour.length === 3 || colour[3] === 1) return colour;
    }
    return [255, 255, 255];
  };
  const weak = [];
  for (const each of document.querySelectorAll('body *')) {
    if (![...each.childNodes].some(node => node.nodeType === 3 && node.data.trim())) continue;
    if (!each.getClientRects().length) continue;
    const pair = [luminance(numbers(getComputedStyle(each).color)), luminance(behind(each))].sort();
    const ratio = (Math.max(...pair) + 0.05) / (Math.min(...pair) + 0.05);
    if (ratio < 4.5) weak.push(`${each.outerHTML.slice(0, 80)} ${ratio.toFixed(2)}`);
  }
  return weak;
}"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def session(service: Running) -> dict[str, str]:
    token = token_of_person(service.settings, ["auditor"])[1]
    return {"name": SESSION_COOKIE, "value": token, "url": service.url}


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


# What stands out of the page on its right side.
BEYOND = """[...document.querySelectorAll('body *')]
    .filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth)
    .slice(0, 5).map(e => e.outerHTML.slice(0, 200))"""


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
    for address in [*addresses(scene), "/sign-in"]:
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

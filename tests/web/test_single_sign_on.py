"""A person signs in with the organisation's account and out again, in a real browser."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from service.settings import Settings
from tests.access.identity_provider import RunningProvider, needs_node, signed_on
from tests.live_service import Running
from tests.web.chromium import DESK, PHONE, SMALL_TARGETS, WEAK_TEXT, needs_chromium

pytestmark = [needs_node, needs_chromium]


@pytest.fixture(scope="module")
def both(
    service_settings: Settings, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Running, RunningProvider]]:
    with signed_on(service_settings, tmp_path_factory.mktemp("single-sign-on-pages")) as running:
        yield running


def signs_in_there(page: Any, subject: str) -> None:
    """Goes through the provider's own pages."""
    page.fill("input[name=login]", subject)
    page.fill("input[name=password]", "any")
    page.click("button[type=submit]")
    page.click("button[type=submit]")


def test_a_person_signs_in_with_the_organisations_account_and_out_of_both(
    both: tuple[Running, RunningProvider], browser: Any
) -> None:
    service, provider = both
    context = browser.new_context(viewport=DESK)
    page = context.new_page()
    faults: list[str] = []

    def note(message: Any) -> None:
        if message.type in ("error", "warning") and page.url.startswith(service.url):
            faults.append(message.text)

    page.on("console", note)
    page.goto(f"{service.url}/units?find=KG")
    assert page.url.startswith(f"{service.url}/sign-in?next=")
    page.click("text=Sign in with your organisation")
    assert page.url.startswith(provider.issuer)
    signs_in_there(page, "mara")
    page.wait_for_url(f"{service.url}/units?find=KG")
    assert page.inner_text("header form span") == "Mara Example"
    assert page.locator("text=Custody").count() == 0, "an inspector sees what inspectors see"

    page.click("text=Sign out")
    page.wait_for_url(re.compile(re.escape(provider.issuer)))
    page.click("text=Yes, sign me out")
    page.wait_for_url(f"{service.url}/sign-in")
    page.goto(f"{service.url}/units")
    assert page.url.startswith(f"{service.url}/sign-in")
    page.click("text=Sign in with your organisation")
    page.wait_for_selector("input[name=login]")

    signs_in_there(page, "nora")
    page.wait_for_url(re.compile("/sign-in/provider/answer"))
    assert "none of your groups there gives you a role here" in page.inner_text("[role=alert]")
    assert faults == ["Failed to load resource: the server responded with a status of 403 (Forbidden)"]
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_the_pages_of_sign_in_fit_and_read_well(
    both: tuple[Running, RunningProvider], browser: Any, size: dict[str, int], scheme: str
) -> None:
    service, _ = both
    context = browser.new_context(viewport=size, color_scheme=scheme)
    page = context.new_page()
    for address in ("/sign-in", "/sign-in/code", "/sign-in/provider/answer?state=x"):
        page.goto(service.url + address, wait_until="networkidle")
        wider = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert page.evaluate(wider) == 0, address
        assert page.evaluate(SMALL_TARGETS) == [], address
        assert page.evaluate(WEAK_TEXT) == [], address
    context.close()

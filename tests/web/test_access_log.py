"""The page of the access log: filters in the address, on a phone and at a desk, with and without scripts."""

from __future__ import annotations

from typing import Any

import pytest

from service.access.auth import SESSION_COOKIE
from service.contract.wire import new_id
from tests.live_service import Running, make_site, token_of_person
from tests.web.chromium import BEYOND, PHONE, SMALL_TARGETS, WEAK_TEXT, needs_chromium
from tests.web.scene import HOSTILE, Pages
from tests.web.wellformed import shown

WIDE = {"width": 1440, "height": 900}
PASSWORD = "correct horse battery"


@pytest.fixture(scope="module")
def site(service: Running) -> str:
    """A site with a name's worth of everything: accounts, refusals, a workstation, long and hostile names."""
    code = f"W{new_id().hex[-8:]}".ljust(64, "X")
    make_site(service.settings, code)
    administrator = service.client_for(["administrator"])
    for _ in range(52):
        administrator.post("/api/v1/enrolment-codes", json={"site": code}).raise_for_status()
    account_id = new_id()
    body = {"login": f"w-{account_id.hex}", "name": (HOSTILE + "W" * 200)[:200], "roles": ["inspector"]}
    made = administrator.put(
        f"/api/v1/accounts/{account_id}", json={**body, "sites": [code], "password": PASSWORD}
    )
    made.raise_for_status()
    refused = service.client_for(["inspector"], [code])
    assert refused.get("/api/v1/accounts", headers={"User-Agent": "U" * 300}).status_code == 403
    return code


def test_the_page_is_well_formed_and_repeats_its_filters_in_every_link(
    service: Running, pages: Pages, site: str
) -> None:
    client = pages(["auditor"])
    for address in ("/access-log", f"/access-log?site={site}", "/access-log?kind=signed_in&since=2026-01-01"):
        assert shown(client, address).headings[0] == 1
    first = client.get("/access-log", params={"site": site, "kind": "code_made"})
    assert first.text.count("<strong>code made</strong>") == 50
    assert f"kind=code_made&amp;site={site}" in first.text
    assert "format=csv" in first.text
    assert HOSTILE not in client.get("/access-log", params={"site": site}).text


def test_older_events_follow_and_nothing_found_is_said_so(pages: Pages, site: str) -> None:
    client = pages(["auditor"])
    first = client.get("/access-log", params={"site": site, "kind": "code_made"}).text
    address = first.partition('rel="next" href="')[2].partition('"')[0].replace("&amp;", "&")
    assert client.get(f"/access-log{address}").text.count("<strong>code made</strong>") == 2
    none = client.get("/access-log", params={"site": site, "address": "192.0.2.77"}).text
    assert "Nothing is recorded that fits these filters" in none


@pytest.mark.parametrize(
    "asked", [{"since": "yesterday"}, {"address": "here"}, {"digest": "abc"}, {"account": "anna"}]
)
def test_a_filter_that_cannot_be_read_is_said_so(pages: Pages, asked: dict[str, str]) -> None:
    answer = pages(["auditor"]).get("/access-log", params=asked)
    assert answer.status_code == 400
    assert next(iter(asked.values())) in answer.text


@needs_chromium
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, WIDE], ids=["phone", "wide"])
def test_the_page_fits_and_reads_well(
    size: dict[str, int], scheme: str, browser: Any, session: dict[str, str], service: Running, site: str
) -> None:
    context = browser.new_context(viewport=size, color_scheme=scheme)
    context.add_cookies([session])
    page = context.new_page()
    faults: list[str] = []
    page.on("console", lambda said: faults.append(said.text) if said.type in ("error", "warning") else None)
    for address in (f"/access-log?site={site}", "/access-log?kind=refused", "/access-log?address=192.0.2.7"):
        page.goto(service.url + address, wait_until="networkidle")
        wider = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert page.evaluate(wider) == 0, f"{address}: {page.evaluate(BEYOND)}"
        assert page.evaluate(SMALL_TARGETS) == [], address
        assert page.evaluate(WEAK_TEXT) == [], address
        assert faults == [], address
    context.close()


@needs_chromium
def test_who_did_what_is_found_without_scripts(
    browser: Any, session: dict[str, str], service: Running, site: str
) -> None:
    account_id, token = token_of_person(service.settings, ["inspector"], [site])
    assert service.client(token).get("/api/v1/accounts").status_code == 403
    context = browser.new_context(viewport=PHONE, java_script_enabled=False)
    context.add_cookies([session])
    page = context.new_page()
    page.goto(service.url)
    page.get_by_role("link", name="Access log").click()
    page.get_by_label("Site").select_option(site)
    page.get_by_label("What happened").select_option("refused")
    page.get_by_role("button", name="Show").click()
    page.wait_for_url(lambda url: f"site={site}" in url and "kind=refused" in url)
    page.get_by_role("link", name=f"Test {account_id.hex[-6:]}").first.click()
    page.wait_for_url(lambda url: f"account={account_id}" in url)
    assert page.get_by_role("row").count() >= 1
    assert "enrol agents and keep accounts" in page.content()
    with page.expect_download() as download:
        page.get_by_role("link", name="Take these as CSV").click()
    assert download.value.suggested_filename == "access-events.csv"
    context.close()


@needs_chromium
def test_who_may_not_read_the_log_is_told_so_on_a_page(browser: Any, service: Running) -> None:
    _, token = token_of_person(service.settings, ["inspector"])
    context = browser.new_context(viewport=PHONE)
    context.add_cookies([{"name": SESSION_COOKIE, "value": token, "url": service.url}])
    page = context.new_page()
    page.goto(f"{service.url}/access-log")
    assert "may not read the access log" in page.content()
    context.close()

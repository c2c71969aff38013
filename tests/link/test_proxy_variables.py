"""A workstation that reaches the world through a proxy: HTTP_PROXY, HTTPS_PROXY, NO_PROXY."""

from __future__ import annotations

import asyncio
import base64
from pathlib import Path

import pytest
from msgspec.structs import replace

from agent.client.http import is_loopback, proxy_of
from service.settings import Settings
from tests.agent.sites import make_unit
from tests.link.far import enrolled, picture, prepared, push_card
from tests.link.forward import ForwardProxy
from tests.live_service import running_service

SERVICE, STORE = "sightledger.invalid", "store.invalid:9000"


@pytest.fixture(autouse=True)
def no_variables(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("http_proxy", "https_proxy", "all_proxy", "no_proxy"):
        monkeypatch.delenv(name, raising=False)
        monkeypatch.delenv(name.upper(), raising=False)


def test_p25_service_and_store_are_reached_through_the_proxy_that_the_variables_name(
    service_settings: Settings, database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site, unit = asyncio.run(make_unit(database_url))
    settings = replace(service_settings, s3_public_endpoint=f"http://{STORE}")
    names = {STORE: service_settings.s3_endpoint}
    with running_service(settings, tmp_path) as service, ForwardProxy(names) as proxy:
        names[SERVICE] = service.url
        monkeypatch.setenv("HTTP_PROXY", f"http://bench:a%20word@{proxy.address}")
        # For the test's own questions.
        monkeypatch.setenv("NO_PROXY", "127.0.0.1")
        state = enrolled(service, f"http://{SERVICE}", site, tmp_path / "state", "inside")
        card = tmp_path / "card"
        prepared(state, unit, card)
        for number in range(3):
            (card / "01 A" / f"TWVS{number:04}.JPG").write_bytes(picture(10_000))
        assert len(push_card(state, card).files) == 3
    assert proxy.asked.count(("PUT", STORE)) == 3
    assert {host for _, host in proxy.asked} == {SERVICE, STORE}
    word = base64.b64encode(b"bench:a word").decode()
    assert set(proxy.authorizations) == {f"Basic {word}"}


@pytest.mark.parametrize(
    ("url", "no_proxy", "through"),
    [
        ("http://sightledger.invalid", "", True),
        ("https://sightledger.invalid", "", True),
        ("http://sightledger.invalid", "sightledger.invalid", False),
        ("https://store.sightledger.invalid:9000", ".sightledger.invalid", False),
        ("http://sightledger.invalid", "*", False),
        ("http://other.invalid", "sightledger.invalid", True),
        ("http://127.0.0.1:8000", "", False),
        ("http://localhost:8000", "", False),
        ("http://[::1]:8000", "", False),
    ],
)
def test_p25_no_proxy_and_this_machine_are_reached_without_it(
    url: str, no_proxy: str, through: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("HTTP_PROXY", "HTTPS_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")
    monkeypatch.setenv("NO_PROXY", no_proxy)
    assert bool(proxy_of(url)) == through


def test_p25_only_this_machine_is_loopback() -> None:
    assert is_loopback("http://127.0.0.2")
    assert not is_loopback("http://10.0.0.1")
    assert not is_loopback("http://localhost.invalid")

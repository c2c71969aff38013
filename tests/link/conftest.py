"""Links that break when they are asked to, between a workstation and the service and store."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from service.settings import Settings
from tests.agent.sites import make_unit
from tests.link.far import TIMEOUT, Far, enrolled, prepared
from tests.link.proxy import Proxy
from tests.live_service import running_service


@pytest.fixture(scope="module")
def links(service_settings: Settings, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    folder = tmp_path_factory.mktemp("linked")
    with Proxy(service_settings.s3_endpoint) as to_store:
        settings = replace(service_settings, s3_public_endpoint=to_store.url)
        with running_service(settings, folder) as service, Proxy(service.url) as to_service:
            yield service, to_service, to_store


@pytest.fixture
def far(links: Any, database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Far]:
    service, to_service, to_store = links
    monkeypatch.setenv("SIGHTLEDGER_AGENT_TIMEOUT", TIMEOUT)
    site, unit = asyncio.run(make_unit(database_url))
    state, card = enrolled(service, to_service.url, site, tmp_path / "state", "far"), tmp_path / "slots/card"
    prepared(state, unit, card)
    try:
        yield Far(service, to_service, to_store, state, card, unit, site)
    finally:
        for link in (to_service, to_store):
            link.faults.__init__()  # type: ignore[misc]
            link.reset_all()

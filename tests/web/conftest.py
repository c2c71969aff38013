from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from contextlib import closing
from typing import Any

import httpx
import pytest

from service.access.auth import SESSION_COOKIE
from service.objects import Objects, ObjectSettings
from tests.live_service import Running, token_of_person
from tests.web.chromium import opened_chromium
from tests.web.scene import Scene, seeded


@pytest.fixture(scope="session")
def scene(service: Running, object_settings: ObjectSettings) -> Scene:
    with closing(Objects(object_settings)) as objects:
        return asyncio.run(seeded(service.settings, objects))


@pytest.fixture
def pages(service: Running) -> Callable[..., httpx.Client]:
    """`pages(roles, sites=None)`: a client that asks as a browser does."""

    def made(roles: list[str], sites: list[str] | None = None) -> httpx.Client:
        client = service.client_for(roles, sites)
        client.headers["Accept"] = "text/html,application/xhtml+xml"
        return client

    return made


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with opened_chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def session(service: Running) -> dict[str, str]:
    """The cookie of an auditor who is signed in."""
    token = token_of_person(service.settings, ["auditor"])[1]
    return {"name": SESSION_COOKIE, "value": token, "url": service.url}

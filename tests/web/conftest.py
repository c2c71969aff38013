from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import closing

import httpx
import pytest

from service.objects import Objects, ObjectSettings
from tests.live_service import Running
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

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from typing import Any

import pytest

from service.objects.holding import Holding
from service.parts import open_holding
from service.settings import Settings
from tests.live_service import client_of


@pytest.fixture
def settings(settings_apart: Settings) -> Settings:
    return settings_apart


@pytest.fixture
def holding(settings: Settings) -> Iterator[Holding]:
    with closing(open_holding(settings)) as opened:
        yield opened


@pytest.fixture
def s3(settings: Settings) -> Iterator[Any]:
    """The store with its own key, past the service: what an administrator, a fault or a thief may do."""
    with closing(client_of(settings)) as client:
        yield client

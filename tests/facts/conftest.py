"""Facts and projections are tried in a database of their own, which the tests damage."""

from __future__ import annotations

import pytest

from service.settings import Settings


@pytest.fixture
def settings(settings_apart: Settings) -> Settings:
    return settings_apart

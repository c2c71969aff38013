"""A workstation for each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.agent.sites import Site, make_site
from tests.agent.station import Bench, make_bench
from tests.live_service import Running


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = make_bench(tmp_path)
    with made.station:
        yield made


@pytest.fixture
def site(service: Running, database_url: str, tmp_path: Path) -> Site:
    return make_site(service, database_url, tmp_path)

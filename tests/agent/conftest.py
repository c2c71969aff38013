"""A workstation for each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.agent.station import Bench, make_bench


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = make_bench(tmp_path)
    with made.station:
        yield made

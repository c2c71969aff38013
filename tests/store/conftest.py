from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing

import httpx
import pytest

from service.objects import Objects, ObjectSettings


@pytest.fixture(scope="module")
def objects(bucket: ObjectSettings) -> Iterator[Objects]:
    with closing(Objects(bucket)) as objects:
        yield objects


@pytest.fixture(scope="module")
def web() -> Iterator[httpx.Client]:
    """A plain HTTP client, as the agent has; it knows no key of the store."""
    with httpx.Client(trust_env=False, timeout=30) as client:
        yield client

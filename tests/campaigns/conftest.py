from __future__ import annotations

from collections.abc import AsyncIterator

import pytest

from service.database import Database
from tests.live_service import service, service_settings  # noqa: F401 (fixtures)


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture
async def db(database_url: str, anyio_backend: str) -> AsyncIterator[Database]:
    database = Database(database_url)
    yield database
    await database.close()

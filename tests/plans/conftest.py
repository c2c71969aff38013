from __future__ import annotations

from collections.abc import AsyncIterator

import pytest

from service.database import Database


@pytest.fixture
async def db(database_url: str, anyio_backend: str) -> AsyncIterator[Database]:
    database = Database(database_url)
    yield database
    await database.close()

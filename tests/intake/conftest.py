from __future__ import annotations

from collections.abc import AsyncIterator

import pytest

from service.database import Database
from service.settings import Settings
from tests.intake.factories import Yard, open_yard


@pytest.fixture
async def db(database_url: str, anyio_backend: str) -> AsyncIterator[Database]:
    database = Database(database_url)
    yield database
    await database.close()


@pytest.fixture
async def yard(db: Database, service_settings: Settings) -> AsyncIterator[Yard]:
    opened = await open_yard(db, service_settings)
    yield opened
    opened.objects.close()

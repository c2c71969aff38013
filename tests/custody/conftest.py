from __future__ import annotations

import asyncio
import secrets
from collections.abc import AsyncIterator, Iterator
from contextlib import closing
from dataclasses import replace
from typing import Any

import msgspec
import pytest

from service.app import open_holding
from service.database import Database
from service.objects import Objects, ObjectSettings
from service.objects.holding import Holding
from service.settings import Settings
from tests.intake.returning import Yard, open_yard
from tests.running import client_of


@pytest.fixture
def locked_bucket(object_settings: ObjectSettings) -> ObjectSettings:
    """A bucket of this test's own with Object Lock."""
    settings = replace(object_settings, bucket=f"test-{secrets.token_hex(6)}")
    with closing(Objects(settings)) as objects:
        asyncio.run(objects.ensure_bucket(locking=True))
    return settings


@pytest.fixture
def settings(fresh_database_url: str, locked_bucket: ObjectSettings, service_settings: Settings) -> Settings:
    """A database and a bucket in which nobody else is."""
    own = {"database_url": fresh_database_url, "s3_bucket": locked_bucket.bucket}
    return msgspec.structs.replace(service_settings, **own)


@pytest.fixture
async def db(settings: Settings, anyio_backend: str) -> AsyncIterator[Database]:
    database = Database(settings.database_url)
    yield database
    await database.close()


@pytest.fixture
async def yard(db: Database, settings: Settings) -> AsyncIterator[Yard]:
    opened = await open_yard(db, settings)
    yield opened
    opened.objects.close()


@pytest.fixture
def holding(settings: Settings) -> Iterator[Holding]:
    with closing(open_holding(settings)) as opened:
        yield opened


@pytest.fixture
def s3(settings: Settings) -> Iterator[Any]:
    """The store with its own key, past the service: what an administrator, a fault or a thief may do."""
    with closing(client_of(settings)) as client:
        yield client

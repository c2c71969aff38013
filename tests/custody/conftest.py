from __future__ import annotations

import asyncio
import secrets
from collections.abc import AsyncIterator, Iterator
from contextlib import closing
from dataclasses import replace
from typing import Any

import boto3
import pytest
from botocore.config import Config

from service.app import open_holding
from service.database import Database
from service.objects import Objects, ObjectSettings
from service.objects.holding import Holding
from service.settings import Settings
from tests.intake.returning import Yard, open_yard


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
    return replace(service_settings, database_url=fresh_database_url, s3_bucket=locked_bucket.bucket)


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
def s3(object_settings: ObjectSettings) -> Iterator[Any]:
    """The store with its own key, past the service: what an administrator, a fault or a thief may do."""
    client = boto3.client(
        "s3",
        endpoint_url=object_settings.endpoint,
        region_name=object_settings.region,
        aws_access_key_id=object_settings.access_key,
        aws_secret_access_key=object_settings.secret_key,
        config=Config(s3={"addressing_style": "path"}, proxies={}),
    )
    yield client
    client.close()

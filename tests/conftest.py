"""A run has one PostgreSQL and one S3 store; tests get databases and buckets in them.

Tests share `database_url`, so they make names of their own, as tests/factories.py does. A test that needs a
database without other tests' rows takes `fresh_database_url`.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from uuid import UUID

import httpx
import hypothesis
import msgspec
import psycopg
import pytest
from psycopg import sql
from sqlalchemy import make_url

from deploy.embedded.postgres import LOGINS, MIGRATIONS, SERVICE
from service.database import EVERY_SITE, Database, migrate
from service.images.looking import Looker
from service.objects import Objects, ObjectSettings
from service.objects.bucket import prepare_bucket
from service.settings import Settings
from service.signing import create_key_file
from tests import engines
from tests.intake.factories import Yard, open_yard
from tests.live_service import Running, running_service

# How long an example takes says nothing on a machine that does other work as well.
hypothesis.settings.register_profile("unhurried", deadline=None)
hypothesis.settings.load_profile("unhurried")
# `--hypothesis-profile=few` is for a run that asks which lines are reached, not whether a property holds.
hypothesis.settings.register_profile("few", max_examples=10, deadline=None)


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """A SQLAlchemy URL of a superuser."""
    with engines.postgres_server() as url:
        yield url


@pytest.fixture(scope="session")
def migrated_template(postgres_server: str) -> Iterator[str]:
    """The name of a migrated database; copying it takes a fraction of migrating."""
    with _database(postgres_server) as url:
        migrate(engines.as_login(url, MIGRATIONS))
        yield make_url(url).database or ""


@pytest.fixture(scope="session")
def database_url(postgres_server: str, migrated_template: str) -> Iterator[str]:
    """A SQLAlchemy URL of the migrated database that all tests of a run share."""
    with _database(postgres_server, migrated_template) as url:
        yield url


@pytest.fixture
def fresh_database_url(postgres_server: str, migrated_template: str) -> Iterator[str]:
    """A SQLAlchemy URL of a migrated database in which nobody has written."""
    with _database(postgres_server, migrated_template) as url:
        yield url


@pytest.fixture(scope="module")
def module_database_url(postgres_server: str, migrated_template: str) -> Iterator[str]:
    """A SQLAlchemy URL of a migrated database of this test file's own."""
    with _database(postgres_server, migrated_template) as url:
        yield url


@pytest.fixture
def empty_database_url(postgres_server: str) -> Iterator[str]:
    """A SQLAlchemy URL of a database with nothing in it, for tests of the migrations themselves."""
    with _database(postgres_server) as url:
        yield url


@pytest.fixture(scope="session")
def object_settings() -> Iterator[ObjectSettings]:
    """The store, with a bucket that all tests of a run share."""
    with engines.object_server() as settings:
        yield settings


@pytest.fixture(scope="module")
def bucket(object_settings: ObjectSettings) -> ObjectSettings:
    """The same store, with a bucket of this test file's own."""
    settings = replace(object_settings, bucket=f"test-{secrets.token_hex(6)}")
    with closing(Objects(settings)) as objects:
        asyncio.run(objects.ensure_bucket())
    return settings


@pytest.fixture(scope="session")
def service_settings(
    database_url: str, object_settings: ObjectSettings, tmp_path_factory: pytest.TempPathFactory
) -> Settings:
    """Settings for the test database and the test store, with a receipt key of its own."""
    key = tmp_path_factory.mktemp("key") / "receipt-key.pem"
    create_key_file(key)
    return Settings(
        database_url=database_url,
        s3_endpoint=object_settings.endpoint,
        s3_public_endpoint=object_settings.public_endpoint,
        s3_bucket=object_settings.bucket,
        s3_region=object_settings.region,
        s3_access_key=object_settings.access_key,
        s3_secret_key=object_settings.secret_key,
        receipt_key_file=str(key),
        metrics_token="metrics-token-of-the-tests",
    )


@pytest.fixture(scope="session")
def service(service_settings: Settings, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """One service for the whole run."""
    with running_service(service_settings, tmp_path_factory.mktemp("service")) as running:
        yield running


@pytest.fixture
def make_account(service: Running) -> Callable[..., UUID]:
    """`make_account(login, password, roles, sites=None)`."""
    return service.account


@pytest.fixture
def client_for(service: Running) -> Callable[..., httpx.Client]:
    """`client_for(roles, sites=None)`."""
    return service.client_for


@pytest.fixture
def settings(service_settings: Settings) -> Settings:
    """The settings that `db` and `yard` go by; a folder or file of tests that wants a database or a bucket of
    its own overrides this fixture and nothing else."""
    return service_settings


@pytest.fixture
async def db(settings: Settings, anyio_backend: str) -> AsyncIterator[Database]:
    database = Database(settings.database_url, scope=EVERY_SITE)
    yield database
    await database.close()


@pytest.fixture(scope="session")
def looker() -> Iterator[Looker]:
    """Looks at pictures as the worker does, in a process apart."""
    with closing(Looker()) as opened:
        yield opened


@pytest.fixture
async def yard(db: Database, settings: Settings) -> AsyncIterator[Yard]:
    """A site with one unit in inspection and an agent, all of its own."""
    opened = await open_yard(db, settings)
    yield opened
    opened.objects.close()


@pytest.fixture
def settings_apart(
    service_settings: Settings, fresh_database_url: str, object_settings: ObjectSettings
) -> Settings:
    """A database and a bucket with Object Lock in which nobody else is."""
    bucket = f"test-{secrets.token_hex(6)}"
    prepare_bucket(replace(object_settings, bucket=bucket))
    return msgspec.structs.replace(service_settings, database_url=fresh_database_url, s3_bucket=bucket)


@contextmanager
def _database(server: str, template: str | None = None) -> Iterator[str]:
    """Yields the URL, with the service's login, of a database made from `template`; at the end drops it,
    whoever is still connected."""
    name = f"sightledger_test_{secrets.token_hex(6)}"
    more = sql.SQL(" TEMPLATE {}").format(sql.Identifier(template)) if template else sql.SQL("")
    owner = sql.Identifier(LOGINS[MIGRATIONS])
    _run(server, sql.SQL("CREATE DATABASE {} OWNER {}{}").format(sql.Identifier(name), owner, more))
    try:
        url = make_url(server).set(database=name).render_as_string(hide_password=False)
        yield engines.as_login(url, SERVICE)
    finally:
        _run(server, sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name)))


def _run(server: str, statement: sql.Composed) -> None:
    address = make_url(server).set(drivername="postgresql").render_as_string(hide_password=False)
    with psycopg.connect(address, autocommit=True) as connection:
        connection.execute(statement)

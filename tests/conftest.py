"""One PostgreSQL and one S3 store per run; databases and buckets in them as tests need them.

Tests share `database_url`, so they make names of their own (tests/factories.py does). What needs an empty
database takes `fresh_database_url`.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace

import hypothesis
import psycopg
import pytest
from psycopg import sql
from sqlalchemy import make_url

from service.objects import Objects, ObjectSettings
from tests import engines

pytest_plugins = ["tests.live_service"]

# How long an example takes says nothing on a machine that does other work as well.
hypothesis.settings.register_profile("unhurried", deadline=None)
hypothesis.settings.load_profile("unhurried")
# For a run that asks which lines are reached, not whether a property holds: `--hypothesis-profile=few`.
hypothesis.settings.register_profile("few", max_examples=10, deadline=None)


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """A SQLAlchemy URL whose user may create databases."""
    with engines.postgres_server() as url:
        yield url


@pytest.fixture(scope="session")
def migrated_template(postgres_server: str) -> Iterator[str]:
    """The name of a migrated database; copying it takes a fraction of migrating."""
    from service.database import migrate

    with _database(postgres_server) as url:
        migrate(url)
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


@contextmanager
def _database(server: str, template: str | None = None) -> Iterator[str]:
    """A database made from `template` and dropped at the end, whoever is still connected."""
    name = f"sightledger_test_{secrets.token_hex(6)}"
    more = sql.SQL(" TEMPLATE {}").format(sql.Identifier(template)) if template else sql.SQL("")
    _run(server, sql.SQL("CREATE DATABASE {}{}").format(sql.Identifier(name), more))
    try:
        yield make_url(server).set(database=name).render_as_string(hide_password=False)
    finally:
        _run(server, sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name)))


def _run(server: str, statement: sql.Composed) -> None:
    address = make_url(server).set(drivername="postgresql").render_as_string(hide_password=False)
    with psycopg.connect(address, autocommit=True) as connection:
        connection.execute(statement)

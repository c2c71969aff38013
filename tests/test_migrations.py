"""The schema: from nothing to the newest, and equal to what the code declares."""

from __future__ import annotations

import pytest
import sqlalchemy as sa

from deploy.embedded.postgres import MIGRATIONS
from service.database import check_migrations, migrate, newest_revision
from tests.engines import as_login


def test_an_empty_database_migrates_and_again_changes_nothing(empty_database_url: str) -> None:
    owners = as_login(empty_database_url, MIGRATIONS)
    migrate(owners)
    migrate(owners)
    engine = sa.create_engine(empty_database_url)
    with engine.connect() as connection:
        assert connection.scalar(sa.text("SELECT version_num FROM alembic_version")) == newest_revision()
    engine.dispose()


def test_the_declared_tables_are_the_migrated_ones(database_url: str) -> None:
    check_migrations(as_login(database_url, MIGRATIONS))


def test_a_column_the_migrations_lack_would_be_found(fresh_database_url: str) -> None:
    owners = as_login(fresh_database_url, MIGRATIONS)
    engine = sa.create_engine(owners)
    with engine.begin() as connection:
        connection.execute(sa.text("ALTER TABLE units DROP COLUMN position"))
    engine.dispose()
    with pytest.raises(Exception, match="position"):
        check_migrations(owners)

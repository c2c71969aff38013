"""Alembic's entry: runs against the URL handed over by service.database."""

from alembic import context
from sqlalchemy import create_engine, pool

import service.access.events
import service.access.identities
import service.access.store
import service.custody.store.tables
import service.intake.store.large
import service.intake.store.refused
import service.intake.store.tables
import service.plans.store  # noqa: F401
from service.database import metadata
from service.protection import become_owner, protect


def ours(_object: object, name: str | None, kind: str, _reflected: bool, _compare_to: object) -> bool:
    """The queue's own tables come with its library and are not compared."""
    return not (name or "").startswith("procrastinate_")


engine = create_engine(
    context.config.attributes["url"],
    poolclass=pool.NullPool,
    # A migration that cannot get its lock gives up instead of stopping the fleet.
    connect_args={"options": "-c lock_timeout=5000 -c statement_timeout=600000"},
)
with engine.connect() as connection:
    become_owner(connection)
    connection.commit()
    context.configure(connection=connection, target_metadata=metadata, include_object=ours)
    with context.begin_transaction():
        context.run_migrations()
        if context.config.attributes["protects"]:
            protect(connection)
engine.dispose()

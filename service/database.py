"""The database: one engine, explicit transactions, migrations.

A use case opens exactly one transaction with `begin()`; it has committed before the caller sees an
answer, and anything raised inside rolls it back.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import asynccontextmanager, contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime
from functools import cache
from typing import Any, TypeVar
from uuid import UUID
from weakref import WeakKeyDictionary

import msgspec
import psycopg
import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import ARRAY, JSONB
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, create_async_engine

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
metadata = sa.MetaData(naming_convention=NAMING)

Row = sa.RowMapping
K = TypeVar("K")


# The name of every column of a table.
EVERY = "*"


def kept_for_ever(*changing: str, sealed: str = "", secret: Collection[str] = ()) -> dict[str, Any]:
    """The `info` of a table of the record: its rows are never deleted, and of their columns only those
    named `changing` change, those no more from when `sealed` (SQL over the row `old`) is true.

    service.database_roles has the database hold to it. The reader does not see the columns that are `secret`.
    """
    return {"record": True, "changing": changing, "sealed": sealed, "secret": frozenset(secret)}


def working(
    *changing: str, deleted: bool = False, ages_by: str = "", secret: Collection[str] = ()
) -> dict[str, Any]:
    """The `info` of a table that is no record: the service may change the columns `changing` (EVERY: all of
    them), and remove rows where they are `deleted`. With `ages_by`, a column of times, a function of the
    database `forget_<table>(days)` removes rows by their age, and the service may call it."""
    info = {"record": False, "changing": changing, "deleted": deleted, "secret": frozenset(secret)}
    return info | {"ages_by": ages_by}


def belongs_to_site(table: sa.Table, *path: str, read_by_all: bool = False) -> None:
    """Note that a row of the table belongs to the site that `path` leads to: foreign keys from row to row,
    then the column with the site's id. `read_by_all`: who may see anything may see all of it, as answers
    about one site are made of such rows of others. service.walls has the database hold to it."""
    table.info.update(site=path, read_by_all=read_by_all)


def id_column() -> sa.Column[Any]:
    return sa.Column("id", sa.UUID(as_uuid=True), primary_key=True)


def reference(name: str, target: str, *, nullable: bool = False, **more: Any) -> sa.Column[Any]:
    return sa.Column(name, sa.UUID(as_uuid=True), sa.ForeignKey(target), nullable=nullable, **more)


def moment(name: str, *, nullable: bool = False) -> sa.Column[Any]:
    """A point in time on a stated clock; always timestamptz."""
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def text(name: str, *, nullable: bool = False, **more: Any) -> sa.Column[Any]:
    return sa.Column(name, sa.Text, nullable=nullable, **more)


def texts(name: str, *, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, ARRAY(sa.Text), nullable=nullable)


def ids(name: str, *, server_default: str | None = None) -> sa.Column[Any]:
    return sa.Column(name, ARRAY(sa.UUID(as_uuid=True)), nullable=False, server_default=server_default)


def json(name: str, *, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, JSONB(none_as_null=True), nullable=nullable)


ROWS_PER_STATEMENT = 2000


async def insert_rows(
    connection: AsyncConnection,
    table: sa.Table,
    rows: Sequence[Mapping[str, Any]],
    then: str = "",
    *,
    but: Collection[str] = (),
) -> list[Row]:
    """Insert full rows in bulk, one JSON parameter per batch; `then` is the ON CONFLICT ... RETURNING clause,
    `but` names columns that the database fills. A column that a row does not name is NULL.

    Rows are taken in the order given: callers sort them by key where two transactions could meet.
    """
    names = ", ".join(column.name for column in table.columns if column.name not in but)
    statement = sa.text(
        f"INSERT INTO {table.name} AS held ({names}) SELECT {names}"  # noqa: S608 (names of our own tables)
        f" FROM jsonb_populate_recordset(NULL::{table.name}, CAST(:rows AS jsonb)) {then}"
    )
    returned: list[Row] = []
    for start in range(0, len(rows), ROWS_PER_STATEMENT):
        batch = rows[start : start + ROWS_PER_STATEMENT]
        found = await connection.execute(statement, {"rows": rows_as_json(batch)})
        if found.returns_rows:
            returned.extend(found.mappings())
    return returned


def rows_as_json(rows: Collection[Mapping[str, Any]]) -> str:
    """Rows as one parameter, from which jsonb_populate_recordset makes rows again."""
    return msgspec.json.encode(list(rows), enc_hook=str).decode()


async def keys_after(connection: AsyncConnection, key: sa.Column[K], after: K | None, limit: int) -> list[K]:
    """The next values of a key column in ascending order, after one."""
    query = sa.select(key).order_by(key).limit(limit)
    return list(await connection.scalars(query if after is None else query.where(key > after)))


def as_bytea(raw: bytes) -> str:
    """Bytes in the text form that Postgres reads back as bytea."""
    return "\\x" + raw.hex()


async def serialise(connection: AsyncConnection, what: str, *, shared: bool = False) -> None:
    """Until the transaction ends let no other that names `what` run beside it; those that are `shared` run
    beside each other."""
    lock = sa.func.pg_advisory_xact_lock_shared if shared else sa.func.pg_advisory_xact_lock
    await connection.execute(sa.select(lock(sa.func.hashtextextended(what, 0))))


def server_now() -> datetime:
    """The service's clock, in UTC."""
    return datetime.now(UTC)


# For which sites a transaction is: the codes of some, all of them, or none.
EVERY_SITE, NO_SITE = "*", ""
_scope: ContextVar[str | None] = ContextVar("the sites of whoever called", default=None)


def scope_of(site_codes: Collection[str] | None) -> str:
    """How `Database` names these sites; None is every site."""
    return EVERY_SITE if site_codes is None else ",".join(sorted(site_codes))


@contextmanager
def acting_for(scope: str) -> Iterator[None]:
    """Let the transactions that are begun inside, and in what is started there, be for these sites, unless
    `act_for` says another scope meanwhile."""
    before = _scope.set(scope)
    try:
        yield
    finally:
        _scope.reset(before)


def act_for(scope: str) -> None:
    """Let the transactions that are begun from here on be for these sites, until the enclosing `acting_for`
    ends."""
    _scope.set(scope)


def _as_setting(scope: str) -> str:
    # A statement that is no query: the level of isolation may still be set after it.
    return "SET LOCAL sightledger.sites = '{}'".format(scope.replace("'", "''"))


# A host that is gone without a word is noticed within half a minute (libpq's names; seconds, and
# milliseconds for the last), also while an answer is waited for.
WATCHFUL = {
    "connect_timeout": 5,
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 30_000,
}


_READ_ONLY = sa.text("SELECT pg_is_in_recovery() OR current_setting('transaction_read_only')::boolean")
_LITTLE_MEMORY = sa.text("SET LOCAL work_mem = '64kB'")
# About 1 MB.
_SPILL = sa.text(
    "SELECT count(*) FROM (SELECT md5(n::text) FROM generate_series(1, 15000) n ORDER BY 1 OFFSET 0) spilt"
)


def _leave_a_replica(context: sa.ExceptionContext) -> None:
    """A server that became a replica answers and takes no write: its connections are as good as broken."""
    if isinstance(context.original_exception, psycopg.errors.ReadOnlySqlTransaction):
        context.is_disconnect = True


_afterwards: WeakKeyDictionary[AsyncConnection, list[Callable[[], None]]] = WeakKeyDictionary()


def afterwards(connection: AsyncConnection, call: Callable[[], None]) -> None:
    """Call it once the transaction that `Database.begin` opened has committed, and never if it does not."""
    _afterwards.setdefault(connection, []).append(call)


class Database:
    """A pool of connections to one Postgres. `scope`: for which sites a transaction is where nobody called
    (`acting_for`); a worker and a command are for EVERY_SITE."""

    def __init__(self, url: str, *, pool_size: int = 10, scope: str = NO_SITE) -> None:
        self._scope = scope
        self.engine: AsyncEngine = create_async_engine(
            url,
            pool_size=pool_size,
            max_overflow=pool_size,
            pool_pre_ping=True,
            # An error text with the parameters in it would carry hashes and people's words into the log.
            hide_parameters=True,
            connect_args={"options": "-c timezone=UTC -c statement_timeout=60000", **WATCHFUL},
        )
        sa.event.listen(self.engine.sync_engine, "handle_error", _leave_a_replica)

    @asynccontextmanager
    async def begin(self, scope: str | None = None) -> AsyncIterator[AsyncConnection]:
        """One transaction: committed when the block ends, rolled back when it raises. It is for the sites of
        whoever called, or those of `scope`, and sees and writes nothing of any other (service.walls)."""
        callers = _scope.get()
        here = next(name for name in (scope, callers, self._scope) if name is not None)
        async with self.engine.begin() as connection:
            # The setting ends with the transaction: the next one on this connection is for no site.
            if here != NO_SITE:
                await connection.exec_driver_sql(_as_setting(here))
            yield connection
        for call in _afterwards.pop(connection, ()):
            call()

    async def ready(self) -> bool:
        """True when a query is answered and the schema is at the newest migration."""
        async with self.engine.connect() as connection:
            found = await connection.scalar(sa.text("SELECT version_num FROM alembic_version"))
        return bool(found == newest_revision())

    async def takes_writes(self) -> bool:
        """False when the server stands read-only. Raises DBAPIError when a file of it cannot grow.

        A sort that does not fit in memory writes to the data disk and leaves nothing: no row, no WAL.
        """
        async with self.engine.begin() as connection:
            if await connection.scalar(_READ_ONLY):
                return False
            await connection.execute(_LITTLE_MEMORY)
            await connection.execute(_SPILL)
        return True

    async def close(self) -> None:
        await self.engine.dispose()


def _alembic_config(url: str, *, protects: bool = False) -> Any:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "migrations:")
    config.attributes.update(url=url, protects=protects)
    return config


@cache
def newest_revision() -> str | None:
    """The id of the newest migration shipped with this code; found once, as all of them are parsed for it."""
    from alembic.script import ScriptDirectory

    return ScriptDirectory.from_config(_alembic_config("")).get_current_head()


def migrate(url: str) -> None:
    """Bring the schema of the database at `url` (a SQLAlchemy URL) to the newest migration, and let each role
    do what service.protection says. Raises SettingError when the login of `url` is none of the owner's."""
    from alembic import command

    command.upgrade(_alembic_config(url, protects=True), "head")


def check_migrations(url: str) -> None:
    """Raise when the tables the code declares and the migrated schema differ; `url` is the owner's."""
    from alembic import command

    command.check(_alembic_config(url))


def storable(text: str) -> str:
    """Text as Postgres can hold it: it has no NUL, so the picture of one stands in.

    The manifest part as sent is kept beside it, byte for byte.
    """
    return text.replace("\0", "\u2400")


def storable_json(value: Any) -> Any:
    """A JSON value with all its text made storable."""
    if isinstance(value, str):
        return storable(value)
    if isinstance(value, list):
        return [storable_json(item) for item in value]
    if isinstance(value, dict):
        return {storable(key): storable_json(item) for key, item in value.items()}
    return value


def texts_of(values: Iterable[str]) -> sa.ColumnElement[Any]:
    return sa.cast(sa.literal(list(values), ARRAY(sa.Text)), ARRAY(sa.Text))


def uuids_of(values: Iterable[UUID]) -> sa.ColumnElement[Any]:
    return sa.cast(sa.literal(list(values), ARRAY(sa.UUID(as_uuid=True))), ARRAY(sa.UUID(as_uuid=True)))

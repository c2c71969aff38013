"""The agent's SQLite file: opened so that a commit survives a power cut, migrated by `user_version`."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from agent.errors import AgentError

BUSY_MS = 60_000

MIGRATIONS = (
    """
    CREATE TABLE documents(
        name TEXT PRIMARY KEY, etag TEXT, body BLOB NOT NULL, fetched_at TEXT NOT NULL) WITHOUT ROWID;
    CREATE TABLE revisions(
        id TEXT NOT NULL, digest TEXT NOT NULL, label TEXT NOT NULL, body BLOB NOT NULL,
        fetched_at TEXT NOT NULL, PRIMARY KEY(id, digest));
    CREATE TABLE preparations(
        card_id TEXT PRIMARY KEY, wire BLOB NOT NULL, made_at TEXT NOT NULL, sent_at TEXT, trouble TEXT)
        WITHOUT ROWID;
    -- state: reading, copied, held. `opening` and `files.wire` are kept as sent, so that a repeated
    -- request is the same request (I8).
    CREATE TABLE returns(
        id TEXT PRIMARY KEY, state TEXT NOT NULL, unit TEXT, inspection_id TEXT, revision_id TEXT,
        opening BLOB NOT NULL, source TEXT NOT NULL, started_at TEXT NOT NULL, finished_at TEXT,
        complete INTEGER, files INTEGER NOT NULL DEFAULT 0, bytes INTEGER NOT NULL DEFAULT 0,
        manifest_sha256 TEXT, skipped INTEGER NOT NULL DEFAULT 0,
        tries INTEGER NOT NULL DEFAULT 0, next_try REAL NOT NULL DEFAULT 0, trouble TEXT) WITHOUT ROWID;
    CREATE INDEX returns_by_state ON returns(state);
    CREATE TABLE files(
        return_id TEXT NOT NULL, ordinal INTEGER NOT NULL, path_bytes BLOB NOT NULL, sha256 TEXT NOT NULL,
        size INTEGER NOT NULL, location TEXT, kind TEXT NOT NULL, picture INTEGER NOT NULL,
        marks TEXT NOT NULL, wire BLOB NOT NULL,
        PRIMARY KEY(return_id, ordinal)) WITHOUT ROWID;
    CREATE INDEX files_by_digest ON files(sha256);
    CREATE TABLE unread(
        return_id TEXT NOT NULL, ordinal INTEGER NOT NULL, path TEXT NOT NULL, why TEXT NOT NULL,
        PRIMARY KEY(return_id, ordinal)) WITHOUT ROWID;
    CREATE TABLE statements(
        id TEXT PRIMARY KEY, return_id TEXT NOT NULL, wire BLOB NOT NULL, trouble TEXT) WITHOUT ROWID;
    CREATE TABLE receipts(return_id TEXT PRIMARY KEY, body BLOB NOT NULL, verified_at TEXT NOT NULL);
    -- One row per digest: what its bytes are, whether they lie in the spool, whether a receipt lists them.
    CREATE TABLE originals(
        sha256 TEXT PRIMARY KEY, size INTEGER NOT NULL, facts BLOB NOT NULL, spooled_at TEXT, held_at TEXT)
        WITHOUT ROWID;
    CREATE INDEX originals_by_size ON originals(size);
    CREATE INDEX originals_to_prune ON originals(held_at) WHERE spooled_at IS NOT NULL;
    CREATE TABLE taken(fingerprint TEXT PRIMARY KEY, return_id TEXT, taken_at TEXT NOT NULL) WITHOUT ROWID;
    """,
    """
    CREATE INDEX statements_by_return ON statements(return_id);
    CREATE INDEX statements_refused ON statements(return_id, id) WHERE trouble IS NOT NULL;
    CREATE INDEX preparations_refused ON preparations(card_id) WHERE sent_at IS NULL AND trouble IS NOT NULL;
    CREATE INDEX preparations_unsent ON preparations(card_id) WHERE sent_at IS NULL AND trouble IS NULL;
    -- Bytes found in the spool by a rebuild, of which nothing is known but that they are sound.
    CREATE INDEX originals_unexplained ON originals(sha256) WHERE facts=x'' AND held_at IS NULL;
    """,
    """
    -- Returns of an earlier agent may be half sent: they stay cut as they were.
    ALTER TABLE returns ADD COLUMN part_files INTEGER NOT NULL DEFAULT 500;
    """,
    """
    ALTER TABLE returns ADD COLUMN short_part INTEGER NOT NULL DEFAULT 0;
    """,
)


DAMAGE = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})


class Damaged(AgentError):
    """The outbox's file is not what SQLite wrote; it is set aside and made again from the spool."""


def is_damage(error: BaseException) -> bool:
    """Whether an error of SQLite says that its file is damaged."""
    code = getattr(error, "sqlite_errorcode", None)
    return isinstance(error, sqlite3.DatabaseError) and code is not None and code & 0xFF in DAMAGE


def now() -> datetime:
    return datetime.now(UTC)


def open_database(path: Path, any_thread: bool = False) -> sqlite3.Connection:
    """A connection for one thread at a time; with `any_thread` another one may close it.

    Raises Damaged, and AgentError for a file that cannot be opened or is newer than this agent.
    """
    connection = None
    try:
        connection = sqlite3.connect(
            path, isolation_level=None, timeout=BUSY_MS / 1000, check_same_thread=not any_thread
        )
        connection.row_factory = sqlite3.Row
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
            connection.execute(f"PRAGMA {pragma}")
        _migrate(connection)
    except sqlite3.DatabaseError as error:
        if connection is not None:
            connection.close()
        if is_damage(error):
            raise Damaged(
                f"The agent's database {path} is damaged: {error}.",
                "Files already copied lie in the spool folder beside it. Do not wipe any card.",
                "Run: sightledger-agent rebuild",
            ) from error
        raise AgentError(
            f"The agent's database {path} cannot be used: {error}.",
            "Files already copied lie in the spool folder beside it. Do not wipe any card.",
            "Keep the whole state folder and ask for help.",
        ) from error
    return connection


def _migrate(connection: sqlite3.Connection) -> None:
    if _version(connection) == len(MIGRATIONS):
        return
    with transaction(connection):
        version = _version(connection)
        if version > len(MIGRATIONS):
            raise sqlite3.DatabaseError(f"its version {version} is newer than this agent's {len(MIGRATIONS)}")
        for number in range(version, len(MIGRATIONS)):
            for statement in _statements(MIGRATIONS[number]):
                connection.execute(statement)
        connection.execute(f"PRAGMA user_version={len(MIGRATIONS)}")


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _statements(script: str) -> list[str]:
    """Split by hand: executescript would commit in between, and half a migration must not stay."""
    return [part for part in script.split(";\n") if part.strip()]


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """One write transaction; joins the one that is open."""
    if connection.in_transaction:
        yield
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        # On a full disk SQLite has rolled back by itself.
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise

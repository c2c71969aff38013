"""The agent's SQLite file: opened so that a commit survives a power cut, laid out once."""

from __future__ import annotations

import errno
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rich.filesize import decimal

from agent import private
from agent.errors import AgentError, why

BUSY_MS = 60_000

# What others name of SQLite: a connection, any error of it, and an outbox that cannot be written.
Connection = sqlite3.Connection
OutboxError = sqlite3.Error
OutboxNotWritten = sqlite3.OperationalError

SCHEMA = """
    CREATE TABLE documents(
        name TEXT PRIMARY KEY, etag TEXT, body BLOB NOT NULL, fetched_at TEXT NOT NULL) WITHOUT ROWID;
    CREATE TABLE revisions(
        id TEXT NOT NULL, digest TEXT NOT NULL, label TEXT NOT NULL, body BLOB NOT NULL,
        fetched_at TEXT NOT NULL, PRIMARY KEY(id, digest));
    CREATE TABLE preparations(
        card_id TEXT PRIMARY KEY, wire BLOB NOT NULL, made_at TEXT NOT NULL, sent_at TEXT, trouble TEXT)
        WITHOUT ROWID;
    CREATE INDEX preparations_unsent ON preparations(card_id) WHERE sent_at IS NULL AND trouble IS NULL;
    -- state: reading, copied, held. `opening` and `files.wire` are kept as sent, so that a repeated
    -- request is the same request (I8). `extent` is what was read of the card when the reading ended;
    -- `confirmed_by` who has confirmed, then or later, that it was a whole one.
    CREATE TABLE returns(
        id TEXT PRIMARY KEY, state TEXT NOT NULL, unit TEXT, inspection_id TEXT, revision_id TEXT,
        opening BLOB NOT NULL, source TEXT NOT NULL, started_at TEXT NOT NULL, finished_at TEXT,
        complete INTEGER, extent TEXT NOT NULL DEFAULT 'not_confirmed', extent_note TEXT NOT NULL DEFAULT '',
        confirmed_by TEXT, aside TEXT NOT NULL DEFAULT '[]',
        files INTEGER NOT NULL DEFAULT 0, bytes INTEGER NOT NULL DEFAULT 0, manifest_sha256 TEXT,
        part_files INTEGER NOT NULL, short_part INTEGER NOT NULL,
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
    CREATE INDEX statements_by_return ON statements(return_id);
    -- Statements that came without a card.
    CREATE TABLE spoken(
        id TEXT PRIMARY KEY, wire BLOB NOT NULL, trouble TEXT, sent_at TEXT) WITHOUT ROWID;
    CREATE INDEX spoken_unsent ON spoken(id) WHERE sent_at IS NULL;
    CREATE TABLE receipts(return_id TEXT PRIMARY KEY, body BLOB NOT NULL, verified_at TEXT NOT NULL);
    -- One row per digest: what its bytes are, whether they lie in the spool, whether a receipt lists them:
    -- since when by the service's clock (held_at) and by this computer's (held_noted).
    CREATE TABLE originals(
        sha256 TEXT PRIMARY KEY, size INTEGER NOT NULL, facts BLOB NOT NULL, spooled_at TEXT, held_at TEXT,
        held_noted TEXT, ahead_at TEXT) WITHOUT ROWID;
    CREATE INDEX originals_by_size ON originals(size);
    CREATE INDEX originals_to_prune ON originals(held_at) WHERE spooled_at IS NOT NULL;
    CREATE INDEX originals_ahead ON originals(ahead_at) WHERE spooled_at IS NOT NULL AND held_at IS NULL
        AND ahead_at IS NOT NULL;
    CREATE INDEX statements_refused ON statements(return_id, id) WHERE trouble IS NOT NULL;
    CREATE INDEX preparations_refused ON preparations(card_id) WHERE sent_at IS NULL AND trouble IS NOT NULL;
    -- Bytes found in the spool by a rebuild, of which nothing is known but that they are sound.
    CREATE INDEX originals_unexplained ON originals(sha256) WHERE facts=x'' AND held_at IS NULL;
    -- Insertions of media that were read to their end, while they last (agent.cards.slots).
    CREATE TABLE insertions(
        key TEXT PRIMARY KEY, root TEXT NOT NULL, return_id TEXT NOT NULL, read_at TEXT NOT NULL)
        WITHOUT ROWID;
    -- How far a push is. parts: of the manifest, that the service has answered; large: the large files that
    -- it waits for once everything else is sent.
    CREATE TABLE sending(
        return_id TEXT PRIMARY KEY, parts INTEGER NOT NULL DEFAULT 0, large BLOB) WITHOUT ROWID;
    CREATE TABLE large_parts(sha256 TEXT PRIMARY KEY, digests BLOB NOT NULL) WITHOUT ROWID;
"""
VERSION = 1


DAMAGE = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})


class Damaged(AgentError):
    """The outbox's file is not what SQLite wrote; it is set aside and made again from the spool."""


def is_damage(error: BaseException) -> bool:
    """Whether an error of SQLite says that its file is damaged."""
    code = getattr(error, "sqlite_errorcode", None)
    return isinstance(error, sqlite3.DatabaseError) and code is not None and code & 0xFF in DAMAGE


class OutboxFull(AgentError):
    """The disk under the state folder has no room; what failed can be done again once there is some."""

    exit_code = 6


# SQLite and the system need so much to open the outbox at all: with less, writing to a file that is mapped
# into memory ends the process without a word (SIGBUS).
LEAST_FREE = 1024 * 1024


def refuse_full(path: Path) -> None:
    """Raise OutboxFull when the disk has not even room to open the outbox."""
    free = shutil.disk_usage(path.parent).free
    if free < LEAST_FREE:
        raise _full(path, free)


def _full(path: Path, free: int) -> OutboxFull:
    return OutboxFull(
        f"The disk under {path.parent} is full: {decimal(free)} are free, the agent needs "
        f"{decimal(LEAST_FREE)} to note anything.",
        "Nothing that was copied or noted before is lost. Do not wipe any card.",
        "Free space on this disk; the agent then goes on by itself.",
    )


def is_full(error: BaseException, path: Path) -> bool:
    """Whether an error of SQLite says that its disk has no room; some only say that a write failed."""
    code = getattr(error, "sqlite_errorcode", None)
    if not isinstance(error, sqlite3.Error) or code is None:
        return False
    if code & 0xFF == sqlite3.SQLITE_FULL:
        return True
    return code & 0xFF == sqlite3.SQLITE_IOERR and shutil.disk_usage(path.parent).free < LEAST_FREE


# What SQLite says of its file, by the low byte of its code (https://sqlite.org/rescode.html, seen).
_SAYS = {
    sqlite3.SQLITE_BUSY: "another process of this workstation has kept it for a minute",
    sqlite3.SQLITE_LOCKED: "another process of this workstation has kept it for a minute",
    sqlite3.SQLITE_READONLY: "it may only be read",
    sqlite3.SQLITE_PERM: "it may not be opened",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened",
    sqlite3.SQLITE_IOERR: "its disk failed to read or write",
}


def explained(error: Exception, path: Path) -> AgentError:
    """Whatever went wrong with the outbox at `path` or its disk, as a person needs it."""
    if isinstance(error, AgentError):
        return error
    if is_full(error, path) or (isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT)):
        return _full(path, shutil.disk_usage(path.parent).free)
    kept = "What was copied lies in the spool folder beside it and is not lost. Do not wipe any card."
    if isinstance(error, sqlite3.Error):
        code = getattr(error, "sqlite_errorcode", None)
        says = _SAYS.get(code & 0xFF, "it cannot be used") if code is not None else "it cannot be used"
        return AgentError(
            f"The agent's database {path}: {says} ({error}).",
            kept,
            "Look whether the state folder can be written and the disk is sound, then try again.",
        )
    if isinstance(error, OSError):
        where = error.filename or path.parent
        return AgentError(
            f"{where}: {why(error)}.",
            kept,
            "Look whether this folder is there and can be written, then try again.",
        )
    return AgentError(
        f"The agent met what it was not made for ({type(error).__name__}: {error}).",
        kept,
        "Try again; if it stays so, report this line.",
    )


def open_database(path: Path, any_thread: bool = False) -> sqlite3.Connection:
    """A connection for one thread at a time; with `any_thread` another one may close it.

    Raises Damaged, OutboxFull, and AgentError for a file that cannot be opened or is newer than this agent.
    """
    connection = None
    refuse_full(path)
    try:
        # What SQLite puts beside it is as private as it is.
        private.make_file(path)
        connection = sqlite3.connect(
            path, isolation_level=None, timeout=BUSY_MS / 1000, check_same_thread=not any_thread
        )
        connection.row_factory = sqlite3.Row
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
            connection.execute(f"PRAGMA {pragma}")
        _lay_out(connection)
    except (sqlite3.DatabaseError, OSError) as error:
        if connection is not None:
            connection.close()
        if is_damage(error):
            raise Damaged(
                f"The agent's database {path} is damaged ({error}).",
                "Files already copied lie in the spool folder beside it. Do not wipe any card.",
                "Run: sightledger-agent rebuild",
            ) from error
        raise explained(error, path) from error
    return connection


def _lay_out(connection: sqlite3.Connection) -> None:
    if _version(connection) == VERSION:
        return
    with transaction(connection):
        version = _version(connection)
        if version > VERSION:
            raise sqlite3.DatabaseError(f"its version {version} is newer than this agent's {VERSION}")
        if version < VERSION:
            # Split by hand: executescript would commit in between, and half a schema must not stay.
            for statement in filter(str.strip, SCHEMA.split(";\n")):
                connection.execute(statement)
        connection.execute(f"PRAGMA user_version={VERSION}")


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


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

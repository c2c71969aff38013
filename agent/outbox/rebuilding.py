"""Makes the outbox again from journals and spool when its file is lost, damaged or older than they are."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable
from contextlib import closing, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Protocol
from uuid import UUID

import msgspec

from agent.clock import now
from agent.errors import AgentError
from agent.locking import lock
from agent.outbox.cache import Cache
from agent.outbox.database import Damaged, is_damage, open_database
from agent.outbox.journal import (
    Closed,
    Confirmed,
    Ending,
    Journals,
    JournalWalk,
    NotRead,
    Opened,
    Stated,
    Took,
)
from agent.outbox.originals import Originals
from agent.outbox.outbox import Outbox
from agent.outbox.spool import Spool
from agent.pictures import Facts
from agent.settings import State
from service.contract.cards import CardReturnOpen, ManifestFile, UnreadFile
from service.contract.pictures import MARKS_OF_BYTES
from service.contract.wire import new_id
from service.contract.work import StatementIn

FILES_PER_COMMIT = 200
# SQLite looks through this much in a fraction of a second.
LOOKED_AT_WHOLE = 16 * 1024 * 1024

# Gets the files and bytes of the spool that were read so far.
ShowSpoolRead = Callable[[int, int], None]


@dataclass
class Rebuilt:
    """What a rebuild found: card returns made from their journals, sound and wrong bytes in the spool."""

    returns: list[UUID] = field(default_factory=list)
    files: int = 0
    size: int = 0
    wrong: list[str] = field(default_factory=list)

    def text(self) -> str:
        wrong = f"; {len(self.wrong)} were not what they were and were set aside" if self.wrong else ""
        return (
            f"{self.files} files in the spool were read and are as they were copied{wrong}; "
            f"{len(self.returns)} card returns were made again from their journals"
        )


class AsksHeld(Protocol):
    """The part of the service that a rebuild asks. `clock_offset`: seconds it is ahead of us, once heard."""

    clock_offset: float | None

    def held(self, digests: list[str]) -> list[str]: ...


def rebuild(
    outbox: Outbox, spool: Spool, locks: Path, show: ShowSpoolRead = lambda files, size: None
) -> Rebuilt:
    """Bring the outbox up to what journals and spool hold; can be repeated, and removes no row."""
    rebuilt = Rebuilt(reconcile(outbox, spool, locks))
    batch: list[tuple[str, int]] = []
    for digest in spool.digests():
        size = spool.size(digest)
        if size is None:
            continue
        if spool.verify(digest):
            batch.append((digest, size))
            rebuilt.files, rebuilt.size = rebuilt.files + 1, rebuilt.size + size
        else:
            spool.set_aside(digest)
            outbox.originals.distrust([digest])
            rebuilt.wrong.append(digest)
        show(rebuilt.files, rebuilt.size)
        if len(batch) >= FILES_PER_COMMIT:
            outbox.originals.note_found(batch)
            batch.clear()
    outbox.originals.note_found(batch)
    return rebuilt


def reconcile(outbox: Outbox, spool: Spool, locks: Path) -> list[UUID]:
    """Take in what has a journal and no row, as in an outbox that is older than the spool; which those are.

    What another process is reading at this moment is left alone.
    """
    journals = outbox.journals
    assert journals is not None
    for card_id, wire in journals.prepared():
        outbox.preparations.restore(card_id, wire)
    for statement_id, wire in journals.spoken():
        outbox.spoken.restore(statement_id, wire)
    made = []
    for return_id in journals.ids():
        known = outbox.returns.find(return_id)
        if known is not None and known.state == "held":
            journals.remove(return_id)
        if known is not None:
            continue
        with lock(locks / f"{return_id}.lock") as ours:
            again = restore(outbox, spool, return_id) if ours else None
        if again is not None:
            made.append(again)
    return made


def restore(outbox: Outbox, spool: Spool, return_id: UUID) -> UUID | None:
    """Make the rows of a return from its journal, in place of those there are; None: it says nothing.

    A damaged journal gives a new, incomplete return of what is left: under the old id the service may
    already know more.
    """
    journals = outbox.journals
    if journals is None or not journals.path(return_id).exists():
        return None
    walk = journals.read(return_id)
    opened, closed, confirmed = None, None, None
    for record in walk:
        if isinstance(record, Opened):
            opened = record
        elif isinstance(record, Closed):
            closed = record
        elif isinstance(record, Confirmed):
            confirmed = record
    if walk.damaged:
        return _salvage(outbox, spool, return_id, walk, opened)
    if opened is None:
        return None
    quiet = outbox.without_journals()
    with outbox.transaction():
        _forget(quiet, return_id)
        _open(quiet, return_id, opened)
        _take(quiet, spool, return_id, walk, closed)
        if closed is not None:
            quiet.returns.close(return_id, closed.ending, closed.finished_at)
        if confirmed is not None:
            quiet.returns.confirm(return_id, confirmed.person)
    return return_id


def _forget(outbox: Outbox, return_id: UUID) -> None:
    """Remove the rows of a return that is read back from its journal in the same transaction."""
    outbox.files.forget(return_id)
    outbox.unread.forget(return_id)
    outbox.statements.forget(return_id)
    outbox.returns.forget(return_id)


def _open(outbox: Outbox, return_id: UUID, opened: Opened) -> None:
    opening = msgspec.json.decode(opened.wire, type=CardReturnOpen)
    outbox.returns.open(return_id, opening, opened.unit, opened.source, bytes(opened.wire), opened.cut)


def _take(outbox: Outbox, spool: Spool, return_id: UUID, walk: JournalWalk, closed: Closed | None) -> None:
    for record in walk:
        if isinstance(record, Took) and (closed is None or record.ordinal <= closed.files):
            file = msgspec.json.decode(record.wire, type=ManifestFile)
            outbox.files.replace(return_id, record.ordinal, file, bytes(record.wire))
            _note_bytes(outbox, spool, file)
        elif isinstance(record, NotRead):
            outbox.unread.add(return_id, record.ordinal, UnreadFile(path=record.path, why=record.why))
        elif isinstance(record, Stated):
            statement = msgspec.json.decode(record.wire, type=StatementIn)
            outbox.statements.add(return_id, statement, bytes(record.wire))


def _note_bytes(outbox: Outbox, spool: Spool, file: ManifestFile) -> None:
    """Bytes that no longer lie here are held by the service, or the push will say that they are lost."""
    if spool.holds(file.sha256, file.size):
        facts = Facts([mark for mark in file.marks if mark in MARKS_OF_BYTES], file.picture)
        outbox.originals.note_spooled(file.sha256, file.size, facts)


def _salvage(
    outbox: Outbox, spool: Spool, return_id: UUID, walk: JournalWalk, opened: Opened | None
) -> UUID | None:
    assert outbox.journals is not None
    again, files, unread, statements = new_id(), 0, 0, False
    if opened is not None:
        with outbox.transaction():
            _forget(outbox, return_id)
            _open(outbox, again, opened)
            for record in walk:
                if isinstance(record, Took):
                    file, files = msgspec.json.decode(record.wire, type=ManifestFile), files + 1
                    outbox.files.add(again, files, file, bytes(record.wire))
                    _note_bytes(outbox, spool, file)
                elif isinstance(record, NotRead):
                    unread += 1
                    outbox.unread.add(again, unread, UnreadFile(path=record.path, why=record.why))
                elif isinstance(record, Stated):
                    statements = True
            _name_damage(outbox, again, walk, statements)
            outbox.returns.close(again, Ending())
    outbox.journals.set_aside(return_id)
    return again if opened is not None else None


def _name_damage(outbox: Outbox, return_id: UUID, walk: JournalWalk, statements: bool) -> None:
    and_statements = "; what was stated with it must be stated again" if statements else ""
    why = f"{walk.damaged} records of card return {walk.path.stem} are damaged; read the card again"
    outbox.unread.add(return_id, 0, UnreadFile(path=".", why=why + and_statements))


def ask_held(originals: Originals, service: AsksHeld) -> int:
    """Ask the service for bytes of which a rebuild knows nothing, so that they can be pruned; how many it
    holds. Raises what the service raises; asked again, nothing is asked twice that was answered with yes."""
    count, last = 0, ""
    while digests := originals.unexplained(last):
        answer = service.held(digests)
        originals.note_held(answer, now() + timedelta(seconds=service.clock_offset or 0))
        count, last = count + len(answer), digests[-1]
    return count


def open_outbox(
    state: State,
    spool: Spool,
    say: Callable[[str], None],
    show: ShowSpoolRead = lambda files, size: None,
) -> Outbox:
    """The outbox, made again first when its file is lost or damaged, and brought up to its journals.

    Raises AgentError for a file that cannot be opened or is newer than this agent.
    """
    if _is_lost(state, spool) or _is_damaged(state):
        with lock(state.locks / "rebuild.lock") as ours:
            if not ours:
                raise AgentError(
                    "Another process of this workstation is rebuilding its database.",
                    "Nothing was done; nothing is lost.",
                    "Wait until it has ended, then try again.",
                )
            # Another process may have done it before the lock was ours.
            if _is_lost(state, spool) or _is_damaged(state):
                return _open_anew(state, spool, say, show)
    outbox = Outbox.at(state.database, Journals(state.spool))
    made = reconcile(outbox, spool, state.locks)
    if made:
        say(f"{len(made)} card returns that the agent's database did not know were read from their journals")
    return outbox


def _open_anew(state: State, spool: Spool, say: Callable[[str], None], show: ShowSpoolRead) -> Outbox:
    aside = set_aside(state.database)
    what = f"was damaged and is set aside as {aside[0].name}" if aside else "is not there any more"
    say(f"The agent's database {what}; it is made again from the spool. Nothing that was copied is lost.")
    outbox = Outbox.at(state.database, Journals(state.spool))
    keep_plans(outbox.cache, aside)
    say(rebuild(outbox, spool, state.locks, show).text())
    state.outbox_damaged.unlink(missing_ok=True)
    return outbox


def _is_lost(state: State, spool: Spool) -> bool:
    """No outbox, and a spool that is not empty: it was there once."""
    if state.database.exists() and state.database.stat().st_size > 0:
        return False
    return bool(Journals(state.spool).ids()) or next(iter(spool.digests()), None) is not None


def _is_damaged(state: State) -> bool:
    """Told by an earlier process, or seen now; a large file is looked at as it is used."""
    if state.outbox_damaged.exists():
        return True
    if not state.database.exists():
        return False
    try:
        with closing(open_database(state.database)) as connection:
            small = state.database.stat().st_size <= LOOKED_AT_WHOLE
            return small and connection.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok"
    except Damaged:
        return True
    except sqlite3.DatabaseError as error:
        if is_damage(error):
            return True
        raise


def set_aside(database: Path) -> list[Path]:
    """Put a damaged outbox out of the way, whole, with what SQLite keeps beside it."""
    named = f"{database.name}.damaged-{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}"
    moved = []
    for suffix in ("", "-wal", "-shm"):
        source = database.with_name(database.name + suffix)
        with suppress(FileNotFoundError):
            moved.append(source.rename(database.with_name(named + suffix)))
    return moved


def keep_plans(cache: Cache, aside: Iterable[Path]) -> None:
    """Take over plan revisions that a damaged outbox still gives whole, so that work goes on without a link.

    The worklist comes too, without its ETag: it is pulled anew as soon as there is a link.
    """
    for path in aside:
        if path.name.endswith(("-wal", "-shm")):
            continue
        # immutable: not even SQLite itself may change what was set aside.
        with suppress(sqlite3.Error, msgspec.DecodeError):
            _keep_plans_of(cache, sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True))


def _keep_plans_of(cache: Cache, old: sqlite3.Connection) -> None:
    try:
        for revision in old.execute("SELECT id, digest, label, body, fetched_at FROM revisions"):
            cache.restore_revision(*revision)
        names = "('worklist','vocabulary','cautions')"
        for name, body in old.execute(f"SELECT name, body FROM documents WHERE name IN {names}"):  # noqa: S608
            msgspec.json.decode(body)
            cache.restore_document(name, body)
    finally:
        old.close()

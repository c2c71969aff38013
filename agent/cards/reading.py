"""Reads a card that came back: every file, whole, in one pass, into spool and outbox.

Nothing on the card is changed. A file that cannot be read is named and the rest goes in (I7).
"""

from __future__ import annotations

import sqlite3
from collections import deque
from collections.abc import Generator, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing, contextmanager
from pathlib import Path
from uuid import UUID

from agent.cards.copying import Copied, Copier, Failed
from agent.cards.marker import Marker
from agent.cards.taking import BROKEN_OFF, Card, Progress, Taker, not_read
from agent.cards.walking import Entry, Survey, Walk
from agent.locking import lock
from agent.outbox.database import is_damage, now
from agent.outbox.journal import Listed
from agent.outbox.rebuilding import restore
from agent.outbox.returns import Returns
from agent.outbox.room import ReadingStopped, Room
from agent.outbox.spool import Spool, SpoolError
from agent.settings import State
from service.contract.cards import UnreadFile
from service.contract.wire import new_id

__all__ = ["Card", "Progress", "ReadingStopped", "close_interrupted", "read_card", "taken_key"]

# One thread reads and hashes while the other waits for its fsync; more would not help a card reader.
THREADS = 2
AHEAD = 8
# Files that did not hold still, or gave a read error, are tried again at the end: as many as these.
MOST_AGAIN = 1000


def read_card(
    state: State, returns: Returns, spool: Spool, card: Card, found: Survey, progress: Progress
) -> UUID:
    """Read the whole card as a new card return, ready to push; its id.

    While the spool's disk is full it waits. A process that dies here leaves a return that
    `close_interrupted` turns into an incomplete one. Raises SpoolError when the bytes cannot be stored, and
    ReadingStopped; the return is then closed as incomplete.
    """
    return_id = new_id()
    room = Room(spool, state.settings().spool_free, progress.stopping, progress.say)
    with lock(state.locks / f"{return_id}.lock"), _outbox_written(state):
        taker = Taker(returns, spool, room, card, return_id, found, progress)
        taker.begin(card.opening(now()))
        copier = Copier(state.database, spool, room, progress.add_bytes)
        whole = False
        try:
            with closing(_copied(copier, room, taker)) as results:
                taker.take(results)
            whole = True
        finally:
            copier.close()
            complete = taker.finish(whole)
        if complete:
            returns.note_taken(taken_key(card.marker, found), return_id)
    (state.locks / f"{return_id}.lock").unlink(missing_ok=True)
    return return_id


@contextmanager
def _outbox_written(state: State) -> Iterator[None]:
    """An outbox that cannot be written is a disk in trouble, like a spool that cannot."""
    try:
        yield
    except sqlite3.OperationalError as error:
        if is_damage(error):
            raise
        raise SpoolError(
            f"The agent's database {state.database} cannot be written: {error}.",
            "The card was not read to its end: leave it as it is, do not wipe it.",
            "Free space on this disk or have it looked at, then read the card again.",
        ) from error


def taken_key(marker: Marker | None, found: Survey) -> str:
    """What makes a card in a slot the one that was read already: its id and its listing."""
    return f"{marker.card_id if marker else 'unmarked'} {found.fingerprint}"


def _copied(copier: Copier, room: Room, taker: Taker) -> Generator[Copied | Failed]:
    """Results in the order of the walk, a few files ahead; those that need another try come last."""
    walk, again = Walk(taker.card.root), list[Entry]()
    with ThreadPoolExecutor(THREADS, thread_name_prefix="copy") as pool:

        def ahead(entries: Iterator[Entry], last: bool) -> Iterator[Copied | Failed]:
            waiting: deque[Future[Copied | Failed]] = deque()
            for entry in entries:
                waiting.append(pool.submit(copier.copy, entry, last or len(again) >= MOST_AGAIN))
                if len(waiting) >= AHEAD:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()

        try:
            for result in ahead((entry for entry in walk if not taker.card.is_ours(entry)), last=False):
                if result.again and len(again) < MOST_AGAIN:
                    again.append(result.entry)
                else:
                    yield result
            yield from ahead(iter(again), last=True)
        finally:
            taker.skipped = walk.skipped
            room.end()
            pool.shutdown(cancel_futures=True)


def close_interrupted(state: State, returns: Returns, spool: Spool) -> list[UUID]:
    """Close returns whose reading process died: what was copied is pushed, marked as not complete."""
    halves = spool.halves()
    closed = []
    for row in returns.in_state("reading"):
        return_id = UUID(row["id"])
        with lock(state.locks / f"{return_id}.lock") as ours:
            if not ours:
                continue
            spool.settle()
            # The journal may be one batch ahead of the outbox.
            restore(returns, spool, return_id)
            with returns.transaction():
                _name_missing(returns, return_id)
                returns.close(return_id, complete=False, skipped=0)
            closed.append(return_id)
        (state.locks / f"{return_id}.lock").unlink(missing_ok=True)
    if not _somebody_reads(state.locks):
        spool.clear_incoming(halves)
    return closed


def _name_missing(returns: Returns, return_id: UUID) -> None:
    missing = dict.fromkeys(name for record in returns.journalled(return_id, Listed) for name in record.names)
    for row in returns.files(return_id):
        missing.pop(bytes(row["path_bytes"]), None)
    unread = returns.unread(return_id)
    for file in unread:
        missing.pop(file.path.encode("utf-8"), None)
    for ordinal, file in enumerate(not_read(missing, BROKEN_OFF), len(unread) + 1):
        returns.add_unread(return_id, ordinal, file)
    rest = UnreadFile(path=".", why="reading was broken off; the rest of the card is not known")
    returns.add_unread(return_id, 0, rest)


def _somebody_reads(locks: Path) -> bool:
    """Whether any process holds the lock of a card return; each is held before the first byte is written."""
    for path in locks.glob("*-*-*-*-*.lock"):
        with lock(path) as ours:
            if not ours:
                return True
    return False

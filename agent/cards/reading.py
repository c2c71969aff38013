"""Reads a card that came back: every file, whole, in one pass, into spool and outbox.

Nothing on the card is changed. A file that cannot be read is named and the rest goes in (I7).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Generator, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from uuid import UUID

from agent.cards.copying import Copied, Copier, Failed
from agent.cards.slots import insertion, reading_key
from agent.cards.taking import BROKEN_OFF, Card, ReadingProgress, Taker, not_read
from agent.cards.walking import Entry, Survey, Walk
from agent.clock import now
from agent.errors import AgentError
from agent.locking import lock
from agent.outbox.database import OutboxNotWritten, explained, is_damage, is_full
from agent.outbox.journal import Ending
from agent.outbox.outbox import Outbox
from agent.outbox.rebuilding import restore
from agent.outbox.room import Room
from agent.outbox.spool import Spool, SpoolError, SpoolFull
from agent.settings import State
from service.contract.cards import UnreadFile
from service.contract.wire import new_id

# One thread reads and hashes while the other waits for its fsync; more would not help a card reader.
THREADS = 2
AHEAD = 8
IDLE_SECONDS = 1.0
# Files that did not hold still, or gave a read error, are tried again at the end: as many as these.
MOST_AGAIN = 1000


def read_card(
    state: State, outbox: Outbox, spool: Spool, card: Card, found: Survey, progress: ReadingProgress
) -> UUID:
    """Read the whole card as a new card return, ready to push; its id.

    While the spool's disk is full it waits. A process that dies here leaves a return that
    `close_interrupted` turns into an incomplete one. Raises SpoolError when the bytes cannot be stored,
    ReadingStopped, and CardGone when the card is taken out while it waits; the return is then closed as
    incomplete. Raises AgentError, before anything is noted, for a place where there is nothing.
    """
    refuse_nothing(card, found)
    return_id, before = new_id(), card.insertion or insertion(card.root)

    def absent() -> bool:
        return not _is_in(card.root, before)

    room = Room(spool, state.settings().spool_free, progress.stopping, progress.say, absent, progress.relieve)
    with lock(state.locks / f"{return_id}.lock"), _outbox_written(state):
        taker = Taker(outbox, spool, room, card, return_id, found, progress)
        taker.begin(card.opening(now()))
        copier = Copier(state.database, spool, room, progress.add_bytes)
        whole = False
        try:
            with closing(_copied(copier, room, taker)) as results:
                taker.take(results)
            whole = True
        finally:
            copier.close()
            complete = taker.finish(whole, same_card=not absent())
        if complete:
            with suppress(OSError):
                outbox.insertions.add(reading_key(card.root, found), str(card.root), return_id)
    (state.locks / f"{return_id}.lock").unlink(missing_ok=True)
    return return_id


@contextmanager
def _outbox_written(state: State) -> Iterator[None]:
    """An outbox that cannot be written is a disk in trouble, like a spool that cannot."""
    try:
        yield
    except OutboxNotWritten as error:
        if is_damage(error):
            raise
        kind = SpoolFull if is_full(error, state.database) else SpoolError
        raise kind(
            explained(error, state.database).detail,
            "The card was not read to its end: leave it as it is, do not wipe it.",
            "Free space on this disk or have it looked at, then read the card again.",
        ) from error


def refuse_nothing(card: Card, found: Survey) -> None:
    """An empty folder without a marker is no card: most likely one is not mounted."""
    if card.marker is None and found.everything == 0:
        raise AgentError(
            f"There is nothing at {card.root}: an empty folder, or a card that the system has not mounted.",
            "Nothing was read and nothing was recorded. It says nothing of any card: do not wipe one.",
            "Take the card out, put it in again and look whether its files are shown.",
        )


def _is_in(root: Path, before: str) -> bool:
    try:
        return insertion(root) == before
    except OSError:
        return False


def _next_of(waiting: deque[Future[Copied | Failed]]) -> Iterator[Copied | Failed | None]:
    """The first result, with a None for every second that it is waited for."""
    future = waiting.popleft()
    while not wait([future], IDLE_SECONDS).done:
        yield None
    yield future.result()


def _copied(copier: Copier, room: Room, taker: Taker) -> Generator[Copied | Failed | None]:
    """Results in the order of the walk, a few files ahead; those that need another try come last. None
    while the next file takes long."""
    walk, again = Walk(taker.card.root), list[Entry]()
    with ThreadPoolExecutor(THREADS, thread_name_prefix="copy") as pool:

        def ahead(entries: Iterator[Entry], last: bool) -> Iterator[Copied | Failed | None]:
            waiting: deque[Future[Copied | Failed]] = deque()
            for entry in entries:
                waiting.append(pool.submit(copier.copy, entry, last or len(again) >= MOST_AGAIN))
                if len(waiting) >= AHEAD:
                    yield from _next_of(waiting)
            while waiting:
                yield from _next_of(waiting)

        try:
            for result in ahead((entry for entry in walk if not taker.card.is_ours(entry)), last=False):
                if result is not None and result.again and len(again) < MOST_AGAIN:
                    again.append(result.entry)
                else:
                    yield result
            yield from ahead(iter(again), last=True)
        finally:
            taker.aside = walk.aside
            room.end()
            pool.shutdown(cancel_futures=True)


def close_interrupted(state: State, outbox: Outbox, spool: Spool) -> list[UUID]:
    """Close returns whose reading process died: what was copied is pushed, marked as not complete."""
    halves = spool.halves()
    closed = []
    for return_id in [card_return.id for card_return in outbox.returns.in_state("reading")]:
        with lock(state.locks / f"{return_id}.lock") as ours:
            if not ours:
                continue
            spool.settle()
            # The journal may be one batch ahead of the outbox.
            restore(outbox, spool, return_id)
            with outbox.transaction():
                _name_missing(outbox, return_id)
                outbox.returns.close(return_id, Ending())
            closed.append(return_id)
        (state.locks / f"{return_id}.lock").unlink(missing_ok=True)
    if not _somebody_reads(state.locks):
        spool.clear_incoming(halves)
    return closed


def _name_missing(outbox: Outbox, return_id: UUID) -> None:
    missing = dict.fromkeys(outbox.returns.listed(return_id))
    for path, _, _ in outbox.files.lines(return_id):
        missing.pop(path, None)
    unread = outbox.unread.of(return_id)
    for file in unread:
        missing.pop(file.path.encode("utf-8"), None)
    for ordinal, file in enumerate(not_read(missing, BROKEN_OFF), len(unread) + 1):
        outbox.unread.add(return_id, ordinal, file)
    rest = UnreadFile(path=".", why="reading was broken off; the rest of the card is not known")
    outbox.unread.add(return_id, 0, rest)


def _somebody_reads(locks: Path) -> bool:
    """Whether any process holds the lock of a card return; each is held before the first byte is written."""
    for path in locks.glob("*-*-*-*-*.lock"):
        with lock(path) as ours:
            if not ours:
                return True
    return False

"""Copies one file of a card into the spool and hashes it in the same pass."""

from __future__ import annotations

import errno
import hashlib
import io
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Literal

from agent.cards.walking import Entry
from agent.clock import now
from agent.errors import AgentError, why
from agent.outbox.database import OutboxError
from agent.outbox.originals import Originals
from agent.outbox.outbox import Outbox
from agent.outbox.room import DISK_FULL, Room
from agent.outbox.spool import BLOCK, Spool, refusal
from agent.pictures import Facts, judge

# Up to here a file is read once into memory, and written only if its digest is new.
AT_ONCE = 4 * BLOCK
# How often a file is tried that did not hold still, once everything else is read; seconds in between.
ATTEMPTS = 3
PAUSE = 0.2


Trouble = Literal["changed_while_read", "short_read"]


@dataclass(frozen=True, slots=True)
class Copied:
    """A file whose bytes lie in the spool or are held by the service. `fresh`: they were written now.

    `listed` and `modified_ns` are what the file system said of the file when these bytes were read.
    """

    entry: Entry
    digest: str
    size: int
    facts: Facts
    read_at: datetime
    fresh: bool
    listed: int
    modified_ns: int
    trouble: Trouble | None = None

    @property
    def again(self) -> bool:
        """Another try may bring other bytes."""
        return self.trouble is not None

    def what_is_wrong(self) -> str | None:
        """Why the card must not be called read because of this file; its bytes are kept all the same."""
        if self.trouble == "short_read":
            return f"ended after {self.size} of {self.listed} listed bytes; what came is kept"
        if self.trouble == "changed_while_read":
            return f"changed each time it was read; the {self.size} bytes read last are kept"
        return None


@dataclass(frozen=True, slots=True)
class Failed:
    """A file that could not be read, and why. `again`: it may be read by another try."""

    entry: Entry
    why: str
    again: bool = False


class CardFault(Exception):
    """The card's file system refused to open or read a file. `may_pass`: another try may go well."""

    def __init__(self, error: OSError) -> None:
        super().__init__(str(error))
        self.why = why(error)
        self.may_pass = error.errno == errno.EIO


class TooLarge(Exception):
    """A file that the spool's disk could not hold if it held nothing else."""


@contextmanager
def _of_card() -> Iterator[None]:
    """Keeps what the card refuses apart from what the spool's disk refuses."""
    try:
        yield
    except OSError as error:
        raise CardFault(error) from error


class Copier:
    """Used by several threads at once; each looks into an outbox that it opened itself."""

    def __init__(self, database: Path, spool: Spool, room: Room, count_bytes: Callable[[int], None]) -> None:
        """`count_bytes` gets the number of bytes just read, from any thread."""
        self._database = database
        self._spool = spool
        self._room = room
        self._count_bytes = count_bytes
        self._own = threading.local()
        self._opened: list[Outbox] = []

    def close(self) -> None:
        for outbox in self._opened:
            outbox.close()

    def copy(self, entry: Entry, last: bool = False) -> Copied | Failed:
        """Read the file once; with `last` until it holds still, or a few times.

        Waits while the spool's disk is full. Raises SpoolError when the bytes cannot be stored: that is no
        fault of the file.
        """
        if entry.trouble is not None:
            return Failed(entry, entry.trouble)
        for attempt in range(1, ATTEMPTS + 1):
            result = self._try(entry)
            if not (last and result.again) or attempt == ATTEMPTS:
                break
            time.sleep(PAUSE * attempt)
        return result

    def _try(self, entry: Entry) -> Copied | Failed:
        while True:
            try:
                return self._look_twice(entry)
            except DISK_FULL:
                self._room.wait_for(entry.size, self._originals(), was_full=True)
            except TooLarge:
                return Failed(
                    entry, f"its {entry.size} bytes are more than the disk of this workstation takes"
                )
            except CardFault as fault:
                return Failed(entry, f"could not be read: {fault.why}", fault.may_pass)
            except (AgentError, OutboxError):
                raise
            except Exception as error:
                # Whatever is odd about one file, the others are read.
                return Failed(
                    entry, f"could not be taken ({type(error).__name__}); its bytes are on the card"
                )

    def _look_twice(self, entry: Entry) -> Copied:
        """The bytes, and whether the file was the same before and after they were read.

        Raises CardFault for what the card refuses, SpoolError for what the spool's disk refuses.
        """
        with _of_card():
            file = open(entry.path, "rb", buffering=0)  # noqa: PTH123, SIM115
        with file:
            with _of_card():
                before = os.fstat(file.fileno())
            try:
                copied = self._once(file, entry, before)
            except OSError as error:
                raise refusal(self._spool.folder, error) from error
            with _of_card():
                after = os.fstat(file.fileno())
        copied = replace(copied, listed=after.st_size, modified_ns=after.st_mtime_ns)
        if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
            return replace(copied, trouble="changed_while_read")
        if copied.size == after.st_size:
            return copied
        return replace(copied, trouble="short_read" if copied.size < after.st_size else "changed_while_read")

    def _once(self, file: io.FileIO, entry: Entry, seen: os.stat_result) -> Copied:
        size = seen.st_size
        blocks = partial(self._blocks, file, size + BLOCK)
        made = partial(Copied, entry, listed=size, modified_ns=seen.st_mtime_ns)
        if size <= AT_ONCE:
            return self._small(blocks(), made)
        if self._originals().size_is_known(size):
            digest, came = self._hash(blocks())
            known = self._known(digest, came)
            if known is not None:
                return made(digest, came, known, now(), False)
            if self._spool.adopt(digest, came):
                return self._judged(digest, came, made)
            with _of_card():
                file.seek(0)
        if not self._room.could_hold(size):
            raise TooLarge
        self._room.wait_for(size, self._originals())
        return self._judged(*self._spool.store(blocks()), made)

    def _judged(self, digest: str, size: int, made: Callable[..., Copied]) -> Copied:
        with self._spool.path(digest).open("rb") as spooled:
            return made(digest, size, judge(size, spooled), now(), True)

    def _small(self, blocks: Iterator[bytes], made: Callable[..., Copied]) -> Copied:
        data = b"".join(blocks)
        digest = hashlib.sha256(data).hexdigest()
        known = self._known(digest, len(data))
        if known is not None:
            return made(digest, len(data), known, now(), False)
        if not self._spool.adopt(digest, len(data)):
            self._room.wait_for(len(data), self._originals())
            self._spool.store([data])
        return made(digest, len(data), judge(len(data), io.BytesIO(data)), now(), True)

    def _hash(self, blocks: Iterator[bytes]) -> tuple[str, int]:
        digest, size = hashlib.sha256(), 0
        for block in blocks:
            digest.update(block)
            size += len(block)
        return digest.hexdigest(), size

    def _blocks(self, file: io.FileIO, most: int) -> Iterator[bytes]:
        """The file's bytes; `most` ends a file that grows as fast as it is read."""
        while most > 0:
            with _of_card():
                block = file.read(min(BLOCK, most))
            if not block:
                return
            most -= len(block)
            self._count_bytes(len(block))
            yield block

    def _known(self, digest: str, size: int) -> Facts | None:
        """Facts of bytes that need no copy: a receipt lists them, the store has them, or they lie in the
        spool."""
        original = self._originals().find(digest)
        if original is None:
            return None
        spooled = original.spooled_at and self._spool.holds(digest, size)
        if not (original.held_at or original.ahead_at or spooled):
            return None
        return original.facts

    def _originals(self) -> Originals:
        outbox: Outbox | None = getattr(self._own, "outbox", None)
        if outbox is None:
            outbox = self._own.outbox = Outbox.at(self._database, any_thread=True)
            self._opened.append(outbox)
        return outbox.originals

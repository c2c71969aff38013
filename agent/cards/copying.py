"""Copies one file of a card into the spool and hashes it in the same pass."""

from __future__ import annotations

import hashlib
import io
import os
import sqlite3
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

import msgspec

from agent.cards.pictures import Facts, judge
from agent.cards.walking import Entry
from agent.outbox.database import now, open_database
from agent.outbox.returns import Returns
from agent.outbox.spool import BLOCK, Spool
from service.contract.cards import FileKind

# Up to here a file is read once into memory, and written only if its digest is new.
AT_ONCE = 4 * BLOCK
ATTEMPTS = 3


@dataclass(frozen=True, slots=True)
class Copied:
    """A file whose bytes lie in the spool or are held by the service. `fresh`: they were written now."""

    entry: Entry
    digest: str
    size: int
    facts: Facts
    read_at: datetime
    fresh: bool
    changed: bool = False


@dataclass(frozen=True, slots=True)
class Failed:
    """A file that could not be read, and why."""

    entry: Entry
    why: str


class Copier:
    """Used by several threads at once; each looks into the outbox through a connection of its own."""

    def __init__(self, database: Path, spool: Spool, told: Callable[[int], None]) -> None:
        """`told` is called with the number of bytes just read, from any thread."""
        self._database = database
        self._spool = spool
        self._told = told
        self._own = threading.local()
        self._opened: list[sqlite3.Connection] = []

    def close(self) -> None:
        for connection in self._opened:
            connection.close()

    def copy(self, entry: Entry, kind: FileKind) -> Copied | Failed:
        """Read until the file holds still between two looks at it; if it never does, it is kept and marked.

        Raises SpoolError when the bytes cannot be stored: that is no fault of the file.
        """
        if entry.trouble is not None:
            return Failed(entry, entry.trouble)
        try:
            return self._until_still(entry, kind)
        except OSError as error:
            return Failed(entry, f"could not be read: {error.strerror or error}")

    def _until_still(self, entry: Entry, kind: FileKind) -> Copied:
        attempt = 0
        while True:
            attempt += 1
            with open(entry.path, "rb", buffering=0) as file:  # noqa: PTH123
                before = os.fstat(file.fileno())
                copied = self._once(file, entry, kind, before.st_size)
                after = os.fstat(file.fileno())
            still = (before.st_size, before.st_mtime_ns) == (after.st_size, after.st_mtime_ns)
            if still and copied.size == after.st_size:
                return copied
            if attempt == ATTEMPTS:
                return replace(copied, changed=True)

    def _once(self, file: io.FileIO, entry: Entry, kind: FileKind, size: int) -> Copied:
        if size <= AT_ONCE:
            return self._small(file, entry, kind)
        if self._returns().size_is_known(size):
            digest = self._hash(file)
            known = self._known(digest, size)
            if known is not None:
                return Copied(entry, digest, size, known, now(), fresh=False)
            file.seek(0)
        digest, stored = self._spool.store(self._blocks(file))
        with self._spool.path(digest).open("rb") as spooled:
            return Copied(entry, digest, stored, judge(kind, stored, spooled), now(), fresh=True)

    def _small(self, file: io.FileIO, entry: Entry, kind: FileKind) -> Copied:
        data = b"".join(self._blocks(file))
        digest = hashlib.sha256(data).hexdigest()
        known = self._known(digest, len(data))
        if known is not None:
            return Copied(entry, digest, len(data), known, now(), fresh=False)
        if not self._spool.adopt(digest, len(data)):
            self._spool.store([data])
        return Copied(entry, digest, len(data), judge(kind, len(data), io.BytesIO(data)), now(), fresh=True)

    def _hash(self, file: BinaryIO | io.FileIO) -> str:
        digest = hashlib.sha256()
        for block in self._blocks(file):
            digest.update(block)
        return digest.hexdigest()

    def _blocks(self, file: BinaryIO | io.FileIO) -> Iterator[bytes]:
        while block := file.read(BLOCK):
            self._told(len(block))
            yield block

    def _known(self, digest: str, size: int) -> Facts | None:
        """Facts of bytes that need no copy: a receipt lists them, or they lie in the spool."""
        row = self._returns().original(digest)
        if row is None or not (row["held_at"] or (row["spooled_at"] and self._spool.holds(digest, size))):
            return None
        return msgspec.json.decode(row["facts"], type=Facts)

    def _returns(self) -> Returns:
        returns: Returns | None = getattr(self._own, "returns", None)
        if returns is None:
            connection = open_database(self._database, any_thread=True)
            self._opened.append(connection)
            returns = self._own.returns = Returns(connection)
        return returns

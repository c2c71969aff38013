"""Bytes read from cards, by digest, until the service holds them.

A file is in the spool when it lies under its digest: written beside, fsynced, renamed, and the folder
fsynced by `settle`. Only after that may anyone call it copied.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import sys
import threading
from collections.abc import Iterable, Iterator
from contextlib import suppress
from io import FileIO
from pathlib import Path
from uuid import uuid4

from agent import private
from agent.errors import AgentError, why
from service.contract.failpoints import reach

BLOCK = 1024 * 1024
FULL = frozenset({errno.ENOSPC, errno.EDQUOT})


class SpoolError(AgentError):
    """The spool cannot take bytes: the card, not the file, has to wait."""

    exit_code = 6


class SpoolFull(SpoolError):
    """The disk under the spool has no room: what failed can be done again once there is some."""


def refusal(folder: Path, error: OSError) -> SpoolError:
    """What a failed write or sync under the spool means."""
    full = error.errno in FULL
    return (SpoolFull if full else SpoolError)(
        f"The disk under {folder} {'is full' if full else f'failed: {why(error)}'}.",
        "The card was not read to its end: leave it as it is, do not wipe it.",
        "Free space on this disk, or let the agent push what is waiting, then read the card again."
        if full
        else "Have this disk looked at, then read the card again.",
    )


def sync_folder(path: Path) -> None:
    """Make renames in a folder last. Windows has no such call; NTFS journals them by itself."""
    if sys.platform == "win32":
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def written(handle: int, data: bytes) -> None:
    """Write all of it; one call may write less."""
    view = memoryview(data)
    while view:
        view = view[os.write(handle, view) :]


class Spool:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._incoming = folder / "incoming"
        self._by_digest = folder / "sha256"
        self._unsettled: set[Path] = set()
        self._guard = threading.Lock()

    def prepare(self) -> Spool:
        """Make the folders once, so that storing a file makes none."""
        private.make_folder(self._incoming)
        private.make_folder(self._by_digest)
        for number in range(256):
            private.make_folder(self._by_digest / f"{number:02x}")
        sync_folder(self._by_digest)
        return self

    def path(self, digest: str) -> Path:
        return self._by_digest / digest[:2] / digest

    def holds(self, digest: str, size: int) -> bool:
        return self.size(digest) == size

    def size(self, digest: str) -> int | None:
        """Bytes that lie under this digest; None: nothing does."""
        try:
            return self.path(digest).stat().st_size
        except OSError:
            return None

    def adopt(self, digest: str, size: int) -> bool:
        """True when the bytes lie here, from a twin or a read that was killed; `settle` makes them last."""
        if not self.holds(digest, size):
            return False
        with self._guard:
            self._unsettled.add(self.path(digest).parent)
        return True

    def store(self, blocks: Iterable[bytes]) -> tuple[str, int]:
        """Write and hash in one pass: digest and size. Raises SpoolError, and what `blocks` raises."""
        beside = self._incoming / uuid4().hex
        digest, size = hashlib.sha256(), 0
        try:
            with self._open(beside) as file:
                for block in blocks:
                    digest.update(block)
                    size += len(block)
                    self._write(file.fileno(), block)
                self._sync(file.fileno())
            reach("spool.written")
            target = self.path(digest.hexdigest())
            self._move(beside, target)
            reach("spool.renamed")
        finally:
            with suppress(OSError):
                beside.unlink(missing_ok=True)
        return digest.hexdigest(), size

    def _move(self, beside: Path, target: Path) -> None:
        with self._guard:
            try:
                beside.replace(target)
            except OSError as error:
                # A folder that needs another block finds a full disk as well.
                raise self._refusal(error) from error
            self._unsettled.add(target.parent)

    def _open(self, path: Path) -> FileIO:
        try:
            return open(path, "xb", buffering=0, opener=private.opener)
        except OSError as error:
            raise self._refusal(error) from error

    def _sync(self, handle: int) -> None:
        try:
            os.fsync(handle)
        except OSError as error:
            raise self._refusal(error) from error

    def _write(self, handle: int, block: bytes) -> None:
        try:
            written(handle, block)
        except OSError as error:
            raise self._refusal(error) from error

    def _refusal(self, error: OSError) -> SpoolError:
        return refusal(self.folder, error)

    def settle(self) -> None:
        """Make every rename since the last call last. Raises SpoolError: then nothing is called copied."""
        with self._guard:
            folders, self._unsettled = self._unsettled, set()
        try:
            for folder in folders:
                sync_folder(folder)
        except OSError as error:
            # Another try must sync all of them: which of them has failed is not known.
            with self._guard:
                self._unsettled |= folders
            raise self._refusal(error) from error

    def verify(self, digest: str) -> bool:
        """Whether the spooled bytes still have their digest."""
        try:
            with self.path(digest).open("rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest() == digest
        except OSError:
            return False

    def set_aside(self, digest: str) -> Path:
        """Put bytes that are not what their name says out of the way, kept for a person to look at."""
        damaged = self.folder / "damaged"
        private.make_folder(damaged)
        return self.path(digest).replace(damaged / f"{digest}.{uuid4().hex}")

    def remove(self, digest: str) -> None:
        self.path(digest).unlink(missing_ok=True)

    def halves(self) -> list[Path]:
        """Files being written now, and those that a crash left."""
        return list(self._incoming.iterdir())

    def clear_incoming(self, halves: Iterable[Path]) -> None:
        """Remove halves that a crash left: those listed before it was seen that nobody reads a card."""
        for path in halves:
            path.unlink(missing_ok=True)

    def digests(self) -> Iterator[str]:
        """Of everything in the spool, by folder; memory stays that of one folder."""
        for folder in sorted(self._by_digest.iterdir()):
            for name in sorted(path.name for path in folder.iterdir()):
                if len(name) == 64:
                    yield name

    def total(self) -> int:
        """Bytes that the disk under the spool has at all."""
        return shutil.disk_usage(self.folder).total

    def free(self) -> int:
        """Bytes free on the disk under the spool."""
        return shutil.disk_usage(self.folder).free

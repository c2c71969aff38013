"""Locks between processes of one workstation; the system drops them when a process dies."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import FileLock, Timeout

from agent import private


@contextmanager
def lock(path: Path) -> Iterator[bool]:
    """Hold the lock of that name while inside; yields False, at once, when it is held already: by another
    process, or elsewhere in this one. Raises OSError where the file system has no locks."""
    private.make_folder(path.parent)
    # Where there are no locks, the library would fall back to a file that outlives a killed process.
    file_lock = FileLock(path, blocking=False, fallback_to_soft=False, mode=private.FILE)
    with suppress(Timeout):
        file_lock.acquire()
    try:
        yield file_lock.is_locked
    finally:
        file_lock.release()

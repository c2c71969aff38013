"""Locks between processes of one workstation; the system drops them when a process dies."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import FileLock, Timeout


@contextmanager
def lock(path: Path) -> Iterator[bool]:
    """Hold the lock of that name while inside; yields False, at once, when it is held already: by another
    process, or elsewhere in this one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    # Its fallback, for file systems without locks, is a file that may outlive the process: better an error.
    file_lock = FileLock(path, blocking=False, fallback_to_soft=False)
    with suppress(Timeout):
        file_lock.acquire()
    try:
        yield file_lock.is_locked
    finally:
        file_lock.release()

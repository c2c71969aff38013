"""Locks between processes of one workstation; the system drops them when a process dies."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

if sys.platform == "win32":
    import msvcrt

    def _try_lock(file: BinaryIO) -> bool:
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
else:
    import fcntl

    def _try_lock(file: BinaryIO) -> bool:
        try:
            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True


@contextmanager
def lock(path: Path) -> Iterator[bool]:
    """Hold the lock of that name while inside; yields False, at once, when another process holds it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("ab") as file:
        yield _try_lock(file)

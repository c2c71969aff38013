"""Files and folders of the workstation that only their owner can read, whatever the umask says.

What lies there names people, units and sites, and holds the token and the pictures themselves (CWE-276).
"""

from __future__ import annotations

import os
import stat
import sys
from contextlib import suppress
from pathlib import Path

FOLDER, FILE = 0o700, 0o600


def opener(path: str, flags: int) -> int:
    """For `open(..., opener=opener)`: a file that is made is its owner's alone."""
    return os.open(path, flags, FILE)


def make_folder(path: Path) -> None:
    """Make a folder, and those above it, for its owner only; one that is there stays as it is."""
    path.mkdir(parents=True, exist_ok=True, mode=FOLDER)


def make_file(path: Path) -> None:
    """Make an empty file for its owner only; one that is there stays as it is."""
    os.close(os.open(path, os.O_RDONLY | os.O_CREAT, FILE))


def shut(folder: Path) -> None:
    """Close a folder that others could enter, and all that lies in it; one that was closed is not walked."""
    if sys.platform == "win32" or not stat.S_IMODE(folder.stat().st_mode) & 0o077:
        return
    # From within to without: whatever ends this early, the next start begins again.
    for below, folders, files in os.walk(folder):
        for names, mode in ((folders, FOLDER), (files, FILE)):
            for name in names:
                path = Path(below, name)
                # What goes away meanwhile, and what belongs to somebody else, is nothing to shut.
                with suppress(OSError):
                    if not path.is_symlink():
                        path.chmod(mode)
    folder.chmod(FOLDER)


def write(path: Path, data: bytes) -> None:
    """Replace a file by one that only its owner can read, or leave the old one whole."""
    beside = path.with_name(path.name + ".new")
    with suppress(FileNotFoundError):
        beside.unlink()
    handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, FILE)
    with os.fdopen(handle, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)

"""These disks are small, so that one part of what is tested can have a full disk while others have room."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path

MB = 1_000_000


@cache
def can_mount() -> bool:
    """Says whether this process may mount a file system: on Linux, as root with that right."""
    if sys.platform != "linux" or os.geteuid() != 0:
        return False
    with tempfile.TemporaryDirectory() as folder:
        tried = subprocess.run(["mount", "-t", "tmpfs", "tmpfs", folder], capture_output=True, check=False)
        if tried.returncode == 0:
            subprocess.run(["umount", folder], check=True)
        return tried.returncode == 0


@contextlib.contextmanager
def memory_disk(place: Path, mebibytes: int) -> Iterator[Path]:
    """Mounts a tmpfs at `place`, through which every user may pass, until the block ends."""
    place.mkdir(parents=True, exist_ok=True)
    size = f"size={mebibytes}m,mode=711"
    subprocess.run(["mount", "-t", "tmpfs", "-o", size, "tmpfs", str(place)], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


class Disk:
    """An ext4 of `size` bytes at `place`, in the sparse file `image`; `block` is the size of its blocks in
    bytes, where it matters."""

    def __init__(self, place: Path, image: Path, size: int, block: int | None = None) -> None:
        self.place, self._image = place, image
        self._ballast = place / "ballast"
        place.mkdir(parents=True, exist_ok=True)
        blocks = [] if block is None else ["-b", str(block)]
        subprocess.run(
            ["mkfs.ext4", "-q", *blocks, "-m", "0", str(self._image), f"{size // 1024}k"],
            check=True,
            capture_output=True,
        )
        subprocess.run(["mount", "-o", "loop", str(self._image), str(place)], check=True, capture_output=True)
        # What mkfs put there is in nobody's way, and some programs want an empty folder.
        (place / "lost+found").rmdir()

    def fill(self) -> None:
        """Writes until not one byte is left."""
        with self._ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
            free = os.statvfs(self.place)
            with contextlib.suppress(OSError):
                os.posix_fallocate(file.fileno(), 0, max(1, free.f_bavail * free.f_frsize - MB))
            file.seek(0, os.SEEK_END)
            while True:
                file.write(bytes(4096))

    def empty(self) -> None:
        """Gives all of it back."""
        self._ballast.unlink(missing_ok=True)

    def close(self) -> None:
        """Takes the disk away with everything that lies on it."""
        subprocess.run(["umount", "-l", str(self.place)], check=False)
        self._image.unlink(missing_ok=True)

"""Small disks of their own under the parts of a soak, so that each can be full while the others are not."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from pathlib import Path

MB = 1_000_000


def can_mount() -> bool:
    """Whether this process may mount images at all."""
    return sys.platform == "linux" and os.geteuid() == 0


class Disk:
    """An ext4 of `size` bytes at `place`, in the sparse file `image`."""

    def __init__(self, place: Path, image: Path, size: int) -> None:
        self.place, self._image = place, image
        self._ballast = place / "ballast"
        place.mkdir(parents=True, exist_ok=True)
        subprocess.run(
            ["mkfs.ext4", "-q", "-m", "0", str(self._image), f"{size // 1024}"],
            check=True,
            capture_output=True,
        )
        subprocess.run(["mount", "-o", "loop", str(self._image), str(place)], check=True)
        # What mkfs put there is in nobody's way, and some programs want an empty folder.
        (place / "lost+found").rmdir()

    def fill(self) -> None:
        """Leave not a byte."""
        with self._ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
            free = os.statvfs(self.place)
            with contextlib.suppress(OSError):
                os.posix_fallocate(file.fileno(), 0, max(1, free.f_bavail * free.f_frsize - MB))
            file.seek(0, os.SEEK_END)
            while True:
                file.write(bytes(4096))

    def empty(self) -> None:
        """Give all of it back."""
        self._ballast.unlink(missing_ok=True)

    def close(self) -> None:
        """Take the disk away; what lies on it goes with it."""
        subprocess.run(["umount", "-l", str(self.place)], check=False)
        self._image.unlink(missing_ok=True)

"""Faults of a store's disk."""

from __future__ import annotations

import os
import time
from pathlib import Path


def flip_on_disk(folder: Path, body: bytes) -> None:
    """Flips one bit of the picture, in whichever file of the store it lies."""
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        for path in folder.rglob("*.dat"):
            at = path.read_bytes().find(body)
            if at >= 0:
                with path.open("r+b") as file:
                    file.seek(at + 50)
                    was = file.read(1)[0]
                    file.seek(at + 50)
                    file.write(bytes([was ^ 1]))
                    os.fsync(file.fileno())
                return
        time.sleep(0.1)
    raise AssertionError("the picture lies in no file of the store")

"""Walks a whole card in a fixed order and names every file by its exact bytes."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

# What operating systems put on a medium by themselves. Nothing else is skipped: a file system repair
# may have put pictures into FOUND.000 or LOST.DIR.
SYSTEM_NAMES = frozenset(
    {
        b"system volume information",
        b"$recycle.bin",
        b".trashes",
        b".spotlight-v100",
        b".fseventsd",
        b".temporaryitems",
        b".documentrevisions-v100",
        b".ds_store",
        b"lost+found",
    }
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One file. `name` is the path below the root in the card's own bytes, '/' between its parts."""

    name: bytes
    path: str
    size: int
    modified_ns: int
    trouble: str | None = None


@dataclass
class Walk:
    """Iterates the files below `root`, sorted by name bytes within each folder; counts what it skips."""

    root: Path
    skipped: int = field(default=0, init=False)

    def __iter__(self) -> Iterator[Entry]:
        yield from self._folder(os.fspath(self.root), b"")

    def _folder(self, folder: str, above: bytes) -> Iterator[Entry]:
        try:
            with os.scandir(folder) as entries:
                named = sorted((os.fsencode(entry.name), entry.name) for entry in entries)
        except OSError as error:
            yield Entry(above or b".", folder, 0, 0, f"the folder cannot be listed: {error.strerror}")
            return
        for raw, text in named:
            if raw.lower() in SYSTEM_NAMES:
                self.skipped += 1
                continue
            yield from self._one(os.path.join(folder, text), above + b"/" + raw if above else raw)  # noqa: PTH118

    def _one(self, path: str, name: bytes) -> Iterator[Entry]:
        try:
            facts = os.lstat(path)
        except OSError as error:
            yield Entry(name, path, 0, 0, f"cannot be looked at: {error.strerror}")
            return
        if stat.S_ISDIR(facts.st_mode):
            yield from self._folder(path, name)
        elif stat.S_ISREG(facts.st_mode):
            yield Entry(name, path, facts.st_size, facts.st_mtime_ns)
        else:
            yield Entry(name, path, 0, 0, "is a link or a device, not a file; it was not followed")


# Of a longer listing the rest is counted, not named.
MOST_NAMES = 50_000
MOST_NAME_BYTES = 8 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Survey:
    """How much there is to read, and a fingerprint of the listing (evidence, never identity).

    `names` are those of the files, by their exact bytes, so that what is not read can be named; `files` may
    be more.
    """

    files: int
    size: int
    fingerprint: str
    names: tuple[bytes, ...] = ()


def survey(root: Path) -> Survey:
    """Names, sizes and times of a whole card, without reading a file."""
    digest, files, size = hashlib.sha256(), 0, 0
    names: list[bytes] = []
    room = MOST_NAME_BYTES
    for entry in Walk(root):
        files += 1
        size += entry.size
        room -= len(entry.name)
        if len(names) < MOST_NAMES and room >= 0:
            names.append(entry.name)
        digest.update(b"%s\0%d %d\n" % (entry.name, entry.size, entry.modified_ns))
    return Survey(files, size, digest.hexdigest(), tuple(names))


def readable(name: bytes) -> tuple[str, bytes | None]:
    """A name to show, and its exact bytes where UTF-8 of that is not them."""
    text = name.decode("utf-8", "replace")
    return text, None if text.encode("utf-8") == name else name

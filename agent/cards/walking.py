"""Walks a whole card in a fixed order and names every file by its exact bytes.

Whatever a scope, a repair of the file system or a person's trash has put on a card is walked: a picture may
lie in any folder. Left aside is only what `left_aside` names, and it is told of.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path

from agent.cards.marker import read_marker
from agent.errors import why
from service.contract.cards import readable_path

# What Windows and macOS write onto a medium by themselves, by name (common practice, no source). Never a
# whole folder of theirs, and never what is named like a picture: people and repairs put pictures into such
# folders.
SYSTEM_FILES = (
    "system volume information/wpsettings.dat",
    "system volume information/indexervolumeguid",
    "system volume information/tracking.log",
    "$recycle.bin/desktop.ini",
    "$recycle.bin/*/desktop.ini",
    ".spotlight-v100/*",
    ".fseventsd/*",
    ".ds_store",
    "*/.ds_store",
)
SYSTEM_FOLDERS = (
    "system volume information/", "$recycle.bin/", ".spotlight-v100/", ".fseventsd/", ".trashes/",
)  # fmt: skip
NAMED_LIKE_PICTURES = frozenset(
    [
        "jpg",
        "jpeg",
        "jpe",
        "jfif",
        "png",
        "bmp",
        "tif",
        "tiff",
        "gif",
        "webp",
        "heic",
        "heif",
        "mpo",
        "dng",
        "raw",
        "mp4",
        "m4v",
        "mov",
        "avi",
        "mkv",
        "wmv",
        "mpg",
        "mpeg",
        "mts",
    ]
)
# AppleDouble, in which macOS keeps what FAT has no place for: the first bytes of such a file (RFC 1740,
# appendix B, from memory).
APPLE_DOUBLE = b"\x00\x05\x16\x07"


@dataclass(frozen=True, slots=True)
class Entry:
    """One file. `name` is the path below the root in the card's own bytes, '/' between its parts."""

    name: bytes
    path: str
    size: int
    modified_ns: int
    changed_ns: int = 0
    trouble: str | None = None


@dataclass
class Walk:
    """Iterates the files below `root`, sorted by name bytes within each folder, however deep folders lie.

    `aside` are the names of files of an operating system that were passed over.
    """

    root: Path
    aside: list[bytes] = field(default_factory=list, init=False)

    def __iter__(self) -> Iterator[Entry]:
        waiting = [(os.fspath(self.root), b"")]
        while waiting:
            path, name = waiting.pop()
            try:
                if name and not stat.S_ISDIR((facts := os.lstat(path)).st_mode):
                    yield from self._file(path, name, facts)
                    continue
            except OSError as error:
                yield Entry(name, path, 0, 0, trouble=f"cannot be looked at: {why(error)}")
                continue
            try:
                waiting += reversed(_listed(path, name))
            except OSError as error:
                trouble = f"the folder cannot be listed: {why(error)}"
                yield Entry(name or b".", path, 0, 0, trouble=trouble)

    def _file(self, path: str, name: bytes, facts: os.stat_result) -> Iterator[Entry]:
        if not stat.S_ISREG(facts.st_mode):
            yield Entry(name, path, 0, 0, trouble="is a link or a device, not a file; it was not followed")
        elif left_aside(name, path):
            self.aside.append(name)
        else:
            yield Entry(name, path, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns)


def _listed(folder: str, name: bytes) -> list[tuple[str, bytes]]:
    with os.scandir(folder) as entries:
        named = sorted((os.fsencode(entry.name), entry.name) for entry in entries)
    above = name + b"/" if name else b""
    return [(os.path.join(folder, text), above + raw) for raw, text in named]  # noqa: PTH118


def left_aside(name: bytes, path: str) -> bool:
    """Whether a file is one that an operating system wrote by itself, and is not read."""
    text = readable(name)[0].lower()
    if text.rpartition("/")[2].startswith("._"):
        return _begins(path, APPLE_DOUBLE)
    if _is_named_like_a_picture(text):
        return False
    return any(fnmatchcase(text, pattern) for pattern in SYSTEM_FILES)


def is_systems_own(name: bytes) -> bool:
    """Whether a file lies in a folder of an operating system and is not named like a picture."""
    text = readable(name)[0].lower()
    return text.startswith(SYSTEM_FOLDERS) and not _is_named_like_a_picture(text)


def _is_named_like_a_picture(text: str) -> bool:
    return text.rpartition(".")[2] in NAMED_LIKE_PICTURES


def _begins(path: str, first: bytes) -> bool:
    try:
        with open(path, "rb", buffering=0) as file:  # noqa: PTH123
            return file.read(len(first)) == first
    except OSError:
        return False


# Of a longer listing the rest is counted, not named.
MOST_NAMES = 50_000
MOST_NAME_BYTES = 8 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Survey:
    """How much there is to read beside what a preparation wrote, and a fingerprint of the whole listing
    (evidence, never identity: only reading tells what a card holds).

    `names` are those of the files, by their exact bytes, so that what is not read can be named; `files` may
    be more. `everything` counts the files of a preparation as well.
    """

    files: int
    size: int
    fingerprint: str
    names: tuple[bytes, ...] = ()
    everything: int = 0


def survey(root: Path) -> Survey:
    """Names, sizes and times of a whole card, without reading a file of it but the marker."""
    marker = read_marker(root)
    digest, files, size, everything = hashlib.sha256(), 0, 0, 0
    names: list[bytes] = []
    room = MOST_NAME_BYTES
    for entry in Walk(root):
        everything += 1
        line = (entry.name, entry.size, entry.modified_ns, entry.changed_ns)
        digest.update(b"%s\0%d %d %d\n" % line)
        if marker is not None and marker.names(readable(entry.name)):
            continue
        files += 1
        size += entry.size
        room -= len(entry.name)
        if len(names) < MOST_NAMES and room >= 0:
            names.append(entry.name)
    return Survey(files, size, digest.hexdigest(), tuple(names), everything)


def readable(name: bytes) -> tuple[str, bytes | None]:
    """A name to show, and its exact bytes where UTF-8 of that is not them."""
    text = readable_path(name)
    return text, None if text.encode("utf-8") == name else name

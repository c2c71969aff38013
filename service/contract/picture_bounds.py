"""What the headers of a picture ask for, held against bounds before a decoder sees the bytes. Pure.

A few hundred bytes can ask a decoder for gigabytes (CWE-409) or for minutes (CWE-400). What goes beyond the
bounds is kept like every other file; nobody takes it apart.
JPEG: ISO/IEC 10918-1, Annex B. Directories: TIFF 6.0, section 2, which Exif follows (CIPA DC-008, 4.5.2).
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import BinaryIO

# Common stills of videoscopes have 0.3 to 5 megapixels (common practice, no source).
MOST_PIXELS = 25_000_000
# Encoders write ten scans, some a few more; each scan beyond them is a pass over all pixels.
MOST_SCANS = 32
MOST_SEGMENTS = 1_000
MOST_JUNK = 64 * 1024
MOST_EXIF = 256 * 1024
MOST_ENTRIES = 1_000
# Of all values of a directory together; entries may share bytes, so that a file can claim more than it has.
MOST_VALUES = 1024 * 1024
# None, LZW, JPEG, deflate (two numbers), PackBits. Others take memory that no header tells.
COMPRESSIONS = frozenset({1, 5, 7, 8, 32946, 32773})
# The side of a tile; files have a hundred to a thousand.
MOST_TILE = 5_000
# Bytes of one value by type; a type that is not listed is read by nobody.
TYPE_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8}
EXIF_DIRECTORY, TILE_WIDTH, TILE_LENGTH, COMPRESSION = 0x8769, 322, 323, 259

SCAN = b"\xff\xda"
_STANDALONE = frozenset({0xC8, *range(0xD0, 0xDA), *range(0xF0, 0xFE)})
_FRAMES = frozenset({*range(0xC0, 0xD0), 0xDE}) - {0xC4, 0xC8, 0xCC}
_PROGRESSIVE = frozenset({0xC2, 0xC6, 0xCA, 0xCE})


class TooMuch(Exception):
    """The bytes ask for more than is spent on one picture; the text says for what."""


@dataclass(slots=True)
class JpegHead:
    """`scan`: where the data of the first scan begin. `by_passes`: the decoder holds the whole picture and
    goes over it once for each scan, at whatever size it is asked for."""

    scan: int = 0
    components: int = 0
    by_passes: bool = False
    exif: bytearray = field(default_factory=bytearray)


def head_of_jpeg(file: BinaryIO) -> JpegHead | None:
    """What stands before the first scan, read as Pillow reads it; None without a scan. Raises TooMuch."""
    head, junk = JpegHead(), 0
    file.seek(2)
    for _ in range(MOST_SEGMENTS):
        while file.read(1) not in (b"\xff", b""):
            junk += 1
            if junk > MOST_JUNK:
                raise TooMuch("its header holds too much that is no header")
        while (marker := file.read(1)) == b"\xff":
            junk += 1
            if junk > MOST_JUNK:
                raise TooMuch("its header holds too much that is no header")
        if not marker:
            return None
        if marker[0] in _STANDALONE or not marker[0]:
            continue
        if marker[0] < 0xC0 or not _take(head, marker[0], file):
            return None
        if head.scan:
            return head
    raise TooMuch(f"its header has more than {MOST_SEGMENTS} segments")


def _take(head: JpegHead, marker: int, file: BinaryIO) -> bool:
    """Note what a segment says; False where it is cut off."""
    raw = file.read(2)
    if len(raw) < 2:
        return False
    length = int.from_bytes(raw, "big") - 2
    start = file.tell()
    if marker == 0xDA:
        begin = file.read(1)
        head.scan = start
        head.by_passes |= not begin or begin[0] < head.components
        return True
    if marker in _FRAMES:
        frame = file.read(6)
        head.components = frame[5] if len(frame) == 6 else 0
        head.by_passes |= marker in _PROGRESSIVE
    elif marker == 0xE1 and file.read(6) == b"Exif\0\0":
        head.exif += file.read(max(0, length - 6))
        if len(head.exif) > MOST_EXIF:
            raise TooMuch(f"its Exif has more than {MOST_EXIF} bytes")
    file.seek(start + max(0, length))
    return True


def check_jpeg(head: JpegHead, file: BinaryIO) -> None:
    """Raises TooMuch for too many scans or a greedy Exif."""
    if head.exif:
        check_exif(bytes(head.exif))
    if head.by_passes:
        file.seek(head.scan)
        # Inside a scan no such pair stands for anything else.
        if 1 + sum(block.count(SCAN) for block in _blocks(file)) > MOST_SCANS:
            raise TooMuch(f"it has more than {MOST_SCANS} scans")


def _blocks(file: BinaryIO) -> Iterator[bytes]:
    """The rest of a file; a pair of bytes that lies across two blocks stands in the second."""
    last = b""
    while block := file.read(1024 * 1024):
        yield last + block
        last = block[-1:]


def check_pixels(width: int, height: int, most: int = MOST_PIXELS) -> None:
    """Raises TooMuch."""
    if width * height > most:
        raise TooMuch(f"{width} x {height} pixels are too many")


def check_exif(blob: bytes) -> None:
    """Raises TooMuch for a block of Exif whose entries claim more than is spent on them."""
    while blob.startswith(b"Exif\0\0"):
        blob = blob[6:]
    if len(blob) > MOST_EXIF:
        raise TooMuch(f"its Exif has more than {MOST_EXIF} bytes")
    _check_directories(io.BytesIO(blob), len(blob))


def check_tiff(file: BinaryIO, size: int) -> None:
    """Raises TooMuch for a TIFF whose directory claims too much, or is packed as no scope packs."""
    for tag, value in _check_directories(file, size).items():
        if tag == COMPRESSION and value not in COMPRESSIONS:
            raise TooMuch("it is packed in a way that is not read")
        if tag in (TILE_WIDTH, TILE_LENGTH):
            check_pixels(value, 1, MOST_TILE)


def _check_directories(file: BinaryIO, size: int) -> dict[int, int]:
    """Hold the first directory of a TIFF or of Exif, and the one for Exif in it, against the bounds: the
    largest number under each tag of the first. What is no directory at all passes: nobody reads it."""
    file.seek(0)
    head = file.read(8)
    if len(head) < 8 or head[:2] not in (b"II", b"MM"):
        return {}
    order = "<" if head[:2] == b"II" else ">"
    if 0x2B in head[2:4]:
        raise TooMuch("its directories are of the kind for files above 4 GB")
    left, numbers = MOST_VALUES, dict[int, int]()
    directories = [struct.unpack(order + "L", head[4:])[0]]
    for number, at in enumerate(directories):
        if number > 1:
            raise TooMuch("it has more directories than a picture needs")
        for tag, kind, count, value in _entries(file, order, at):
            left -= min(size, count * TYPE_SIZES.get(kind, 0))
            if tag == EXIF_DIRECTORY:
                directories.append(value)
            if number == 0:
                numbers[tag] = max(numbers.get(tag, 0), _number(order, kind, value))
        if left < 0:
            raise TooMuch(f"its directories claim more than {MOST_VALUES} bytes")
    return numbers


def _entries(file: BinaryIO, order: str, at: int) -> Iterator[tuple[int, int, int, int]]:
    """Tag, type, count, and the value or its place as a number of four bytes."""
    file.seek(at)
    raw = file.read(2)
    entries = struct.unpack(order + "H", raw)[0] if len(raw) == 2 else 0
    if entries > MOST_ENTRIES:
        raise TooMuch(f"a directory of it has more than {MOST_ENTRIES} entries")
    raw = file.read(12 * entries)
    yield from struct.iter_unpack(order + "HHLL", raw[: len(raw) // 12 * 12])


def _number(order: str, kind: int, value: int) -> int:
    """A single number: one of two bytes stands in the first two of the four."""
    return value >> 16 if kind == 3 and order == ">" else value & 0xFFFF if kind == 3 else value

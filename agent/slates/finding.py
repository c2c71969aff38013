"""Finds slates in stills: what codes of ours a picture shows, whole or not.

Measured on synthetic views (round, turned, skewed, blurred, noisy; tests/agent/slate_views.py): every code of
a fifth of the picture's height or more is read, of 640 x 480 as of 1920 x 1440; no code at all was seen in
240 drawn inner surfaces and 100 fields of noise; of codes hidden in part by glare, those that cannot be read
whole mostly still show that there was one. A code smaller than about a seventh of the height goes unseen,
so the job sheet asks for half the view.
"""

from __future__ import annotations

import threading
from typing import BinaryIO

import zxingcpp
from PIL import Image

from agent.slates.code import LONGEST, Codes, is_ours

# First look: JPEG is decoded at a half to an eighth, to no less than this on the long side. Second look,
# where the first saw a code it could not read: at most these pixels. Measured with two pictures of 20
# megapixels at once: 37 MB on top of what the agent has; with whole pictures it was 124 MB.
FIRST_LOOK = 1200
SECOND_LOOK_PIXELS = 8_000_000
# A progressive JPEG takes all its memory at whatever size it is decoded: one at a time, and no larger ones.
PROGRESSIVE_PIXELS = 10_000_000
_one_at_a_time = threading.Lock()
_QR = zxingcpp.barcode_formats_from_str("QRCode")


def find_codes(file: BinaryIO) -> Codes:
    """What a still shows, read through `file` (seekable), of any size, in bounded memory."""
    try:
        return _found(file)
    except Exception:
        # Pillow's readers raise nearly anything over broken bytes; the file is kept all the same.
        return Codes(broken=True)


def _found(file: BinaryIO) -> Codes:
    file.seek(0)
    with Image.open(file) as image:
        size, progressive = image.size, bool(image.info.get("progressive"))
    if progressive:
        if size[0] * size[1] > PROGRESSIVE_PIXELS:
            return Codes(broken=True)
        with _one_at_a_time:
            return _looked(file, size)
    first = _looked(file, _first_size(size))
    if not first.half_read or max(size) < 2 * FIRST_LOOK:
        return first
    with _one_at_a_time:
        second = _looked(file, _second_size(size))
    return second if second.texts else Codes(first.texts, half_read=True)


def _first_size(size: tuple[int, int]) -> tuple[int, int]:
    return FIRST_LOOK, FIRST_LOOK * min(size) // max(size)


def _second_size(size: tuple[int, int]) -> tuple[int, int]:
    """The size itself, or halves of it until it is small enough."""
    while size[0] * size[1] > SECOND_LOOK_PIXELS:
        size = size[0] // 2, size[1] // 2
    return size


def _looked(file: BinaryIO, least: tuple[int, int]) -> Codes:
    """In grey, reduced by a whole number to no less than `least`; JPEG by its decoder, most of it."""
    file.seek(0)
    with Image.open(file) as image:
        image.draft("L", (min(image.width, max(least)), min(image.height, min(least))))
        grey = image.convert("L")
    factor = max(grey.size) // max(least)
    return _read(grey.reduce(factor) if factor > 1 else grey)


def _read(grey: Image.Image) -> Codes:
    found = zxingcpp.read_barcodes(
        grey, formats=_QR, text_mode=zxingcpp.TextMode.Plain, try_invert=False, return_errors=True
    )
    texts = {code.text[:LONGEST] for code in found if code.valid and is_ours(code.text)}
    # A code of the plant's own that was read whole is not half of one of ours.
    return Codes(tuple(sorted(texts)), half_read=any(not code.valid for code in found))

"""What the bytes of an image say, and its thumbnail. Pure; only service/images/child.py runs it on bytes from
outside."""

from __future__ import annotations

import io

import msgspec
from PIL import Image

from service.contract.picture_bounds import MOST_PIXELS, TooMuch, check_pixels
from service.contract.pictures import JPEG_END, MOST_RUN_PIXELS, Judged, NotKnown, judge, opened

LONG_SIDE = 320
# Exif tag Orientation (CIPA DC-008, 4.6.4): how to turn what was stored to make it upright.
ORIENTATION = 0x0112
UPRIGHT = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}


class NoThumbnail(Exception):
    """The bytes hold no picture that can be made small; the text says why."""


class Look(msgspec.Struct):
    """What was found in the bytes (None: nobody got that far), the thumbnail, or why there is none."""

    judged: Judged | None = None
    small: bytes | None = None
    why: str | None = None


def look(original: bytes) -> Look:
    """All that the service wants to know of the bytes. Bytes that cannot be understood are no error."""
    found = Look(judge(len(original), io.BytesIO(original)))
    try:
        found.small = reduced(original)
    except NoThumbnail as error:
        found.why = str(error)
    return found


def reduced(original: bytes) -> bytes:
    """A JPEG of at most 320 px on its long side, upright; a truncated picture shows what it has."""
    try:
        try:
            return _reduced(original)
        except OSError:
            if not original.startswith(b"\xff\xd8"):
                raise
            # With an end marker the decoder gives the rows of a file cut short, and leaves the rest grey.
            return _reduced(original + JPEG_END)
    except (TooMuch, NotKnown) as error:
        raise NoThumbnail(str(error)) from error
    except MemoryError as error:
        raise NoThumbnail("it takes more memory than is given to one picture") from error
    except Exception as error:
        # Pillow raises many kinds of exceptions over broken files; each means the same here.
        raise NoThumbnail(f"it cannot be decoded ({type(error).__name__})") from error


def _reduced(original: bytes) -> bytes:
    picture, _ = opened(io.BytesIO(original), len(original))
    with picture:
        by_runs = picture.tile and picture.tile[0].codec_name == "bmp_rle"
        check_pixels(picture.width, picture.height, MOST_RUN_PIXELS if by_runs else MOST_PIXELS)
        picture.draft("RGB", (2 * LONG_SIDE, 2 * LONG_SIDE))
        turn = UPRIGHT.get(picture.getexif().get(ORIENTATION, 1))
        small = picture.convert("RGB")
    small.thumbnail((LONG_SIDE, LONG_SIDE))
    if turn is not None:
        small = small.transpose(turn)
    out = io.BytesIO()
    small.save(out, "JPEG", quality=80)
    return out.getvalue()

"""What bytes are: whether they are a picture, whether it is whole, and what it says of itself.

The answer comes from the bytes alone, never from a name, so that the agent's and the service's are one. Of
this folder the only module that needs Pillow; only those who judge bytes import it.
Exif: CIPA DC-008; UserComment's character code is its first eight bytes.
"""

from __future__ import annotations

import warnings
from typing import Any, BinaryIO

import msgspec
from PIL import Image, ImageFile
from PIL.BmpImagePlugin import BmpImageFile
from PIL.ExifTags import IFD, TAGS
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile
from PIL.TiffImagePlugin import TiffImageFile

from service.contract.cards import Mark, PictureFacts
from service.contract.picture_bounds import (
    JpegHead,
    TooMuch,
    check_exif,
    check_jpeg,
    check_tiff,
    head_of_jpeg,
)

# Pillow warns about odd pictures; here a mark says it.
warnings.filterwarnings("ignore", module=r"PIL\.")

LARGEST_JUDGED = 64 * 1024 * 1024
# Decoding two of these at once stays well inside the agent's 150 MB.
MOST_PIXELS_DECODED = 8_000_000
MOST_RUN_PIXELS = 2_000_000
SKIPPED_TAGS = frozenset({"MakerNote", "ExifOffset", "GPSInfo", "ExifInteroperabilityOffset"})
COMMENT_CODES = {
    b"ASCII\0\0\0": "ascii",
    b"UNICODE\0": "utf-16",
    b"\0" * 8: "utf-8",
    b"JIS\0\0\0\0\0": "iso2022_jp",
}
TAIL = 64 * 1024
JPEG_END = b"\xff\xd9"
# The last chunk of every PNG (ISO/IEC 15948, 11.2.5) with its checksum.
PNG_END = b"IEND\xaeB`\x82"
# So that a part of 500 files stays well below the service's body limit of 10 MB.
EXIF_BYTES = 8_000

# How the pictures that videoscopes write begin (common practice, no source), and Pillow's name for them.
# No other decoder sees bytes from outside: each is one more that hostile bytes can be made for.
SIGNATURES = (
    (b"\xff\xd8\xff", "JPEG"),  # ISO/IEC 10918-1, B.2.1
    (b"\x89PNG\r\n\x1a\n", "PNG"),  # ISO/IEC 15948, 5.2
    (b"II*\0", "TIFF"),  # TIFF 6.0, section 2
    (b"MM\0*", "TIFF"),
    (b"BM", "BMP"),  # Windows GDI, BITMAPFILEHEADER
)
LONGEST_SIGNATURE = 8


class Judged(msgspec.Struct):
    """Marks that the bytes themselves deserve, and what they say if they are a picture."""

    marks: list[Mark] = []
    picture: PictureFacts | None = None


# What `judge` can say. Every other mark is of one file and its reading, not of the bytes.
MARKS_OF_BYTES: frozenset[Mark] = frozenset({"zero_length", "truncated", "too_large_to_judge"})


def judge(size: int, file: BinaryIO) -> Judged:
    """What `size` bytes are, read through `file` (seekable). Bytes that cannot be understood are no error."""
    if size == 0:
        return Judged(marks=["zero_length"])
    file.seek(0)
    format_name = format_of(file.read(LONGEST_SIGNATURE))
    if format_name is None:
        return Judged()
    if size > LARGEST_JUDGED:
        return Judged(marks=["too_large_to_judge"])
    try:
        image, head = opened(file, size)
        with image:
            return _of_image(image, head, file, size)
    except TooMuch:
        return Judged(marks=["too_large_to_judge"])
    except Exception:
        # Pillow's readers raise nearly anything over arbitrary bytes; the file is kept all the same.
        return Judged(marks=["truncated"] if format_name == "JPEG" else [])


def format_of(head: bytes) -> str | None:
    """The format that a file's first bytes announce."""
    return next((name for begin, name in SIGNATURES if head.startswith(begin)), None)


class NotKnown(Exception):
    """The bytes begin like no picture that is looked at, or end before there is one."""


def opened(file: BinaryIO, size: int) -> tuple[ImageFile.ImageFile, JpegHead | None]:
    """The picture in `size` bytes, nothing of it decoded yet, and what stands before a JPEG's first scan.

    The one way to a decoder. Raises TooMuch for what asks for more than its bounds, NotKnown, and whatever
    Pillow's readers raise.
    """
    file.seek(0)
    format_name = format_of(file.read(LONGEST_SIGNATURE))
    if format_name == "JPEG":
        head = head_of_jpeg(file)
        if head is None:
            raise NotKnown("the file ends before its picture begins")
        check_jpeg(head, file)
        file.seek(0)
        return JpegImageFile(file), head
    if format_name == "TIFF":
        check_tiff(file, size)
    if format_name is None:
        raise NotKnown("the bytes begin like no picture that is looked at")
    file.seek(0)
    return _READERS[format_name](file), None


# By their classes: Pillow's own way tries further formats that a JPEG can hold.
_READERS: dict[str, type[ImageFile.ImageFile]] = {
    "PNG": PngImageFile,
    "TIFF": TiffImageFile,
    "BMP": BmpImageFile,
}


def _of_image(image: ImageFile.ImageFile, head: JpegHead | None, file: BinaryIO, size: int) -> Judged:
    facts = PictureFacts(format=image.format or "unknown", width=image.width, height=image.height, exif={})
    if image.format != "PNG":
        facts.exif = _exif(image)
    if head is not None:
        return Judged([] if _holds_after(file, size, head.scan, JPEG_END) else ["truncated"], facts)
    if image.width * image.height > most_decoded(image):
        return Judged(["too_large_to_judge"], facts)
    if image.format == "PNG" and not _holds_after(file, size, 8, PNG_END):
        return Judged(["truncated"], facts)
    try:
        image.load()
    except Exception:
        return Judged(["truncated"], facts)
    if image.format == "PNG":
        # It may come after the pixels.
        facts.exif = _exif(image)
    return Judged([], facts)


def most_decoded(image: ImageFile.ImageFile) -> int:
    """Pixels up to which the picture is decoded to judge it."""
    # Pillow unpacks the runs of a BMP byte by byte in Python.
    return MOST_RUN_PIXELS if image.tile and image.tile[0].codec_name == "bmp_rle" else MOST_PIXELS_DECODED


def _holds_after(file: BinaryIO, size: int, first: int, wanted: bytes) -> bool:
    """Whether `wanted` stands anywhere from `first` on; looked for from the end, where it mostly is.

    Of a JPEG not just the last two bytes: scopes append data of their own, and an embedded thumbnail before
    the first scan has an end-of-image marker too (ISO/IEC 10918-1, B.1.1.3).
    """
    end = size
    while end > first:
        start = max(first, end - TAIL)
        file.seek(start)
        if wanted in file.read(end - start):
            return True
        # Blocks overlap: what is wanted may lie across two of them.
        end = start + len(wanted) - 1 if start > first else first
    return False


def _exif(image: Image.Image) -> dict[str, str]:
    """Tag name -> text, as read: nothing corrected, unknown tags by number, MakerNote left in the file."""
    try:
        if image.format == "PNG":
            check_exif(_exif_of_png(image))
        exif = image.getexif()
        tags: dict[int, Any] = {**dict(exif), **exif.get_ifd(IFD.Exif)}
    except Exception:
        return {}
    texts: dict[str, str] = {}
    room = EXIF_BYTES
    for tag, value in tags.items():
        name = TAGS.get(tag, f"0x{tag:04X}")
        text = "" if name in SKIPPED_TAGS else _as_text(name, value)[:2000]
        room -= len(text.encode("utf-8"))
        if text and room >= 0:
            texts[name[:64]] = text
    return texts


def _exif_of_png(image: Image.Image) -> bytes:
    """Where Pillow reads it from. That of a JPEG and a TIFF stands in their headers, held against bounds."""
    block, in_hex = image.info.get("exif"), image.info.get("Raw profile type exif")
    if block is None and isinstance(in_hex, str):
        return bytes.fromhex("".join(in_hex.split("\n")[3:]))
    return block or b""


def _as_text(name: str, value: object) -> str:
    if name == "UserComment" and isinstance(value, bytes):
        return _user_comment(value)
    if isinstance(value, bytes):
        return (
            value.decode("ascii") if value.isascii() and value.decode("ascii").isprintable() else value.hex()
        )
    # A lone surrogate cannot travel as UTF-8.
    return str(value).rstrip("\0").encode("utf-8", "replace").decode("utf-8")


def _user_comment(value: bytes) -> str:
    code, text = value[:8], value[8:]
    encoding = COMMENT_CODES.get(code)
    if encoding is None:
        encoding, text = "utf-8", value
    if encoding == "utf-16" and text[:2] not in (b"\xff\xfe", b"\xfe\xff"):
        encoding = _utf16_order(text)
    return text.decode(encoding, "replace").strip("\0 ")


def _utf16_order(text: bytes) -> str:
    """The byte order is not laid down: take the one under which more characters are below U+0100."""
    return "utf-16-be" if text[0::2].count(0) > text[1::2].count(0) else "utf-16-le"

"""What bytes are: whether they are a picture, whether it is whole, and what it says of itself.

The answer comes from the bytes alone, never from a name, so that the agent's and the service's are one. Of
this folder the only module that needs Pillow; only those who judge bytes import it.
Exif: CIPA DC-008; UserComment's character code is its first eight bytes.
"""

from __future__ import annotations

import warnings
from typing import Any, BinaryIO

import msgspec
from PIL import Image
from PIL.ExifTags import IFD, TAGS

from service.contract.cards import Mark, PictureFacts

# Pillow warns about odd pictures; here a mark says it.
warnings.filterwarnings("ignore", module=r"PIL\.")

LARGEST_JUDGED = 64 * 1024 * 1024
# Decoding two of these at once stays well inside the agent's 150 MB.
MOST_PIXELS_DECODED = 8_000_000
SKIPPED_TAGS = frozenset({"MakerNote", "ExifOffset", "GPSInfo", "ExifInteroperabilityOffset"})
COMMENT_CODES = {
    b"ASCII\0\0\0": "ascii",
    b"UNICODE\0": "utf-16",
    b"\0" * 8: "utf-8",
    b"JIS\0\0\0\0\0": "iso2022_jp",
}
TAIL = 64 * 1024
# The last chunk of every PNG (ISO/IEC 15948, 11.2.5) with its checksum.
PNG_END = b"IEND\xaeB`\x82"
# So that a part of 500 files stays well below the service's body limit of 10 MB.
EXIF_BYTES = 8_000

# How pictures begin, and Pillow's name of the decoder. Formats without a signature are left out: any text
# can be taken for one of them.
SIGNATURES = (
    (b"\xff\xd8\xff", "JPEG"),  # ISO/IEC 10918-1, B.2.1
    (b"\x89PNG\r\n\x1a\n", "PNG"),  # ISO/IEC 15948, 5.2
    (b"II*\0", "TIFF"),  # TIFF 6.0, section 2
    (b"MM\0*", "TIFF"),
    (b"GIF87a", "GIF"),  # GIF89a, section 17
    (b"GIF89a", "GIF"),
    (b"\0\0\0\x0cjP  \r\n\x87\n", "JPEG2000"),  # ISO/IEC 15444-1, I.5.1
    (b"BM", "BMP"),  # Windows GDI, BITMAPFILEHEADER
)
LONGEST_SIGNATURE = 12


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
    file.seek(0)
    try:
        with Image.open(file, formats=(format_name,)) as image:
            return _of_image(image, file, size)
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        return Judged(marks=["too_large_to_judge"])
    except Exception:
        # Pillow's readers raise nearly anything over arbitrary bytes; the file is kept all the same.
        return Judged(marks=["truncated"] if format_name == "JPEG" else [])


def format_of(head: bytes) -> str | None:
    """The format that a file's first bytes announce."""
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":  # RFC 9649, 2.4
        return "WEBP"
    return next((name for begin, name in SIGNATURES if head.startswith(begin)), None)


def _of_image(image: Image.Image, file: BinaryIO, size: int) -> Judged:
    picture = PictureFacts(
        format=image.format or "unknown", width=image.width, height=image.height, exif=_exif(image)
    )
    if image.format in ("JPEG", "MPO"):
        return Judged([] if _jpeg_is_whole(file, size) else ["truncated"], picture)
    if image.width * image.height > MOST_PIXELS_DECODED:
        return Judged(["too_large_to_judge"], picture)
    if image.format == "PNG" and not _holds_after(file, size, 8, PNG_END):
        return Judged(["truncated"], picture)
    try:
        image.load()
    except Exception:
        return Judged(["truncated"], picture)
    return Judged([], picture)


def _jpeg_is_whole(file: BinaryIO, size: int) -> bool:
    """Whether an end-of-image marker follows the scan (ISO/IEC 10918-1 Annex B).

    Not the last two bytes: scopes append data of their own, and an embedded thumbnail has a marker too.
    """
    scan = _start_of_scan(file)
    if scan is None:
        return False
    return _holds_after(file, size, scan, b"\xff\xd9")


def _holds_after(file: BinaryIO, size: int, first: int, wanted: bytes) -> bool:
    """Whether `wanted` stands anywhere from `first` on; looked for from the end, where it mostly is."""
    end = size
    while end > first:
        start = max(first, end - TAIL)
        file.seek(start)
        if wanted in file.read(end - start):
            return True
        # Blocks overlap: what is wanted may lie across two of them.
        end = start + len(wanted) - 1 if start > first else first
    return False


def _start_of_scan(file: BinaryIO) -> int | None:
    file.seek(2)
    while True:
        head = file.read(2)
        if len(head) < 2 or head[0] != 0xFF:
            return None
        if head[1] == 0xFF:
            file.seek(-1, 1)
            continue
        length = file.read(2)
        if len(length) < 2:
            return None
        if head[1] == 0xDA:
            return file.tell()
        file.seek(int.from_bytes(length, "big") - 2, 1)


def _exif(image: Image.Image) -> dict[str, str]:
    """Tag name -> text, as read: nothing corrected, unknown tags by number, MakerNote left in the file."""
    try:
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

"""Writes pictures as a videoscope of the invented make would: baseline JPEG with Exif.

Tag numbers: CIPA DC-008 (Exif), as Pillow's ExifTags lists them. Values are text as the standard lays down;
times are the scope's own local clock, with no zone unless `offset` is given.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from io import BytesIO

from PIL import Image
from PIL.ExifTags import IFD, Base

MAKE, MODEL = "Tarnwick Works", "VS-01"

# At these settings a picture is about 300 kB, the size measurements are stated for.
LARGE_SIZE, LARGE_QUALITY = (1280, 960), 90


@dataclass(frozen=True)
class ExifFacts:
    """What the scope writes about a picture. `taken` and `changed` are naive: the scope's wall clock.

    `sub_seconds` are decimal digits ("05" is 0.05 s), `offset` is like "+01:00", `unique_id` 32 hex digits.
    """

    body_serial: str
    taken: datetime
    unique_id: str
    sub_seconds: str | None = None
    offset: str | None = None
    changed: datetime | None = None
    comment: str | None = None
    description: str | None = None
    make: str = MAKE
    model: str = MODEL

    def encoded(self) -> bytes:
        """The Exif block."""
        exif = Image.Exif()
        exif[Base.Make] = self.make
        exif[Base.Model] = self.model
        exif[Base.DateTime] = exif_time(self.changed or self.taken)
        if self.description is not None:
            exif[Base.ImageDescription] = self.description
        inner = exif.get_ifd(IFD.Exif)
        inner[Base.ExifVersion] = b"0232"
        inner[Base.DateTimeOriginal] = exif_time(self.taken)
        inner[Base.BodySerialNumber] = self.body_serial
        inner[Base.ImageUniqueID] = self.unique_id
        if self.sub_seconds is not None:
            inner[Base.SubsecTimeOriginal] = self.sub_seconds
        if self.offset is not None:
            inner[Base.OffsetTimeOriginal] = self.offset
        if self.comment is not None:
            inner[Base.UserComment] = user_comment(self.comment)
        return exif.tobytes()


def exif_time(moment: datetime) -> str:
    """`YYYY:MM:DD HH:MM:SS`."""
    return moment.strftime("%Y:%m:%d %H:%M:%S")


def user_comment(text: str) -> bytes:
    """A UserComment: eight bytes naming the character code, then the text, not terminated.

    The byte order of the UNICODE form is not laid down; little-endian as the block's own (Pillow writes II).
    """
    if text.isascii():
        return b"ASCII\0\0\0" + text.encode("ascii")
    return b"UNICODE\0" + text.encode("utf-16-le")


def jpeg(picture: Image.Image, exif: ExifFacts, quality: int = 88) -> bytes:
    """The picture as a JPEG file with its Exif block."""
    out = BytesIO()
    picture.save(out, "JPEG", quality=quality, exif=exif.encoded())
    return out.getvalue()


def with_exif(data: bytes, exif: ExifFacts) -> bytes:
    """The same picture data under another Exif block, without encoding again.

    For the many different files that a measurement needs. Raises ValueError if `data` has no Exif block.
    """
    at = 2
    while data[:2] == b"\xff\xd8" and data[at : at + 1] == b"\xff" and data[at + 1] != 0xDA:
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        if data[at + 1] == 0xE1 and data[at + 4 : at + 10] == b"Exif\0\0":
            block = exif.encoded()
            segment = b"\xff\xe1" + (len(block) + 2).to_bytes(2, "big") + block
            return data[:at] + segment + data[at + 2 + length :]
        at += 2 + length
    raise ValueError("These bytes are not a JPEG with an Exif block, so there is none to exchange.")

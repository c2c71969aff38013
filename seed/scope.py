"""An inspector with a videoscope: fills a prepared card with pictures, in order, by the scope's own clock.

Also writes the odd files that cards bring back, for tests.
"""

from __future__ import annotations

import hashlib
import os
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from typing import NamedTuple
from zoneinfo import ZoneInfo

from seed.picture_files import ExifFacts, jpeg
from seed.pictures import Shot, draw, view_kind
from seed.scenario import SeedLocation
from seed.textures import Size

# CIPA DC-009 (DCF): four of A-Z 0-9 _, then 0001 to 9999.
FIRST_NUMBER, LAST_NUMBER = 1, 9999


class Take(NamedTuple):
    """One picture to be taken: where it goes on the card (posix path under the mount) and what it shows.

    `evaluation` is a folder below `folder`, or None. `condition` is a `list:code`.
    """

    folder: str
    kind: str
    location: str
    element: int | None = None
    condition: str | None = None
    evaluation: str | None = None
    element_last: int | None = None

    @property
    def comment(self) -> str | None:
        """What the inspector types at the scope: which elements the picture shows."""
        if self.element is None:
            return None
        return f"[{self.location}] {self.element}-{self.element_last or self.element}"


class Taken(NamedTuple):
    """A file on the card and the SHA-256 (hex) of its bytes."""

    path: Path
    sha256: str


@dataclass
class ScopeClock:
    """The scope's clock: starts at a true instant (aware), runs `error` ahead of it, shows no zone."""

    start: datetime
    zone: ZoneInfo
    error: timedelta = timedelta()
    pause: timedelta = timedelta(seconds=9)

    def __post_init__(self) -> None:
        if self.start.tzinfo is None:
            raise ValueError("The clock's start has no zone, so it names no instant; give an aware datetime.")

    def true_time(self, count: int) -> datetime:
        """When picture number `count` (from 0) is really taken."""
        return self.start + count * self.pause

    def shown(self, count: int) -> datetime:
        """What the scope shows and writes then: local wall clock, naive."""
        return (self.true_time(count) + self.error).astimezone(self.zone).replace(tzinfo=None)


@dataclass
class Videoscope:
    """A scope with its name and numbering; the counter runs on from card to card.

    `prefix` is the four characters in front of the number (CIPA DC-009).
    """

    asset: str
    prefix: str = "TWVS"
    next_number: int = FIRST_NUMBER
    size: Size = (640, 480)
    quality: int = 88
    offset: str | None = None
    _seen: dict[tuple[str, ...], int] = field(default_factory=dict, repr=False)

    def take_all(self, card: Path, serial: str, takes: Iterable[Take], clock: ScopeClock) -> list[Taken]:
        """Takes every picture of unit `serial` onto the card, in order.

        The card's folders must exist, except an evaluation's; refuses (FileNotFoundError) a folder that does
        not, and never writes over a file (FileExistsError).
        """
        return [self._take(card, serial, take, clock, count) for count, take in enumerate(takes)]

    def _take(self, card: Path, serial: str, take: Take, clock: ScopeClock, count: int) -> Taken:
        folder = card / take.folder
        if not folder.is_dir():
            raise FileNotFoundError(
                f"The card has no folder {take.folder}; nothing was written. Prepare the card."
            )
        if take.evaluation:
            folder = folder / take.evaluation
            folder.mkdir(exist_ok=True)
        visit = f"{self.asset}/{clock.start.isoformat()}"
        place = (visit, serial, take.location, str(take.element))
        index = self._seen[place] = self._seen.get(place, -1) + 1
        shot = Shot(serial, take.location, index, visit)
        picture = draw(
            take.kind, shot, take.element, take.condition, self.size, self._text(take, clock, count)
        )
        name = self._next_name()
        data = jpeg(picture, self._facts(shot, name, clock.shown(count), take.comment), self.quality)
        path = folder / name
        write_new(path, data)
        set_shown_time(path, clock.shown(count))
        return Taken(path, hashlib.sha256(data).hexdigest())

    def _text(self, take: Take, clock: ScopeClock, count: int) -> str | None:
        if take.kind != "clock":
            return None
        return clock.true_time(count).astimezone(clock.zone).strftime("%H:%M:%S")

    def _facts(self, shot: Shot, name: str, shown: datetime, comment: str | None) -> ExifFacts:
        identity = hashlib.sha256(f"{self.asset}/{name}/{shown.isoformat()}/{shot}".encode()).hexdigest()
        return ExifFacts(
            body_serial=self.asset,
            taken=shown,
            unique_id=identity[:32],
            sub_seconds=f"{int(identity[32:36], 16) % 100:02}",
            offset=self.offset,
            comment=comment,
        )

    def _next_name(self) -> str:
        name = dcf_name(self.prefix, self.next_number)
        self.next_number = self.next_number + 1 if self.next_number < LAST_NUMBER else FIRST_NUMBER
        return name


def dcf_name(prefix: str, number: int) -> str:
    """A DCF file name such as TWVS0001.JPG (CIPA DC-009); raises ValueError where none is possible."""
    allowed = len(prefix) == 4 and all(
        c.isascii() and (c.isdigit() or c.isupper() or c == "_") for c in prefix
    )
    if not allowed or not FIRST_NUMBER <= number <= LAST_NUMBER:
        raise ValueError(f"{prefix!r} with {number} makes no DCF name: four of A-Z 0-9 _, then 0001 to 9999.")
    return f"{prefix}{number:04}.JPG"


def write_new(path: Path, data: bytes) -> None:
    """Writes a file that must not exist yet."""
    with path.open("xb") as file:
        file.write(data)


def set_shown_time(path: Path, shown: datetime) -> None:
    """Sets the file's time as a card would show it: the scope's wall clock, in FAT's steps of two seconds.

    A FAT card has no zone, so the wall clock is stored as the machine's own local time.
    """
    stamp = shown.replace(microsecond=0, second=shown.second // 2 * 2).timestamp()
    os.utime(path, (stamp, stamp))


class Seen(NamedTuple):
    """What an inspector sees in a picture: a condition (`list:code`) and the word it is put under."""

    condition: str
    evaluation: str | None = None


def takes_for(
    location: SeedLocation,
    folder: str,
    per_picture: int | None = None,
    seen: Mapping[int, Seen] | None = None,
) -> list[Take]:
    """Every picture a location needs, into one folder. A counted location goes by its elements.

    `per_picture` where the revision in hand differs from the scenario's. `seen` says in which pictures
    (numbered from 1, in order) something is seen.
    """
    kind, element = view_kind(location), location.element
    if element is None:
        takes = [Take(folder, kind, location.key)] * location.pictures_required
    else:
        step = per_picture or element.per_picture
        takes = [
            Take(folder, kind, location.key, first, element_last=min(first + step - 1, element.count))
            for first in range(1, element.count + 1, step)
            for _ in range(location.views_per_group)
        ]
    if kind == "nameplate":
        takes[1:] = [take._replace(kind="clock") for take in takes[1:]]
    for number, (condition, evaluation) in (seen or {}).items():
        takes[number - 1] = takes[number - 1]._replace(condition=condition, evaluation=evaluation)
    return takes


def put_zero_length(folder: Path, name: str = "TWVS9001.JPG") -> Path:
    """A picture of which the card holds only the name."""
    return _put(folder, name, b"")


def put_truncated(folder: Path, whole: bytes, share: float = 0.6, name: str = "TWVS9002.JPG") -> Path:
    """The first part of a picture: the card was pulled while it was written."""
    return _put(folder, name, whole[: int(len(whole) * share)])


def put_text_as_picture(folder: Path, name: str = "TWVS9003.JPG") -> Path:
    """A text file with a picture's name."""
    return _put(folder, name, b"port P2 plug found hand tight, told the shift lead\r\n")


def put_both_normal_forms(
    folder: Path, first: bytes, second: bytes, stem: str = "Zähne Stufe"
) -> tuple[Path, Path]:
    """Two files whose names look alike, one in Unicode normal form C and one in D."""
    return (
        _put(folder, unicodedata.normalize("NFC", stem) + ".JPG", first),
        _put(folder, unicodedata.normalize("NFD", stem) + ".JPG", second),
    )


def put_case_twins(folder: Path, first: bytes, second: bytes) -> tuple[Path, Path]:
    """Two files whose names differ in case only; needs a file system that tells them apart."""
    return _put(folder, "TWVS9004.JPG", first), _put(folder, "twvs9004.jpg", second)


def put_video_side_file(folder: Path, name: str = "TWVS9005.MP4", size: int = 4096) -> Path:
    """A small file that opens as an MP4 does (ISO/IEC 14496-12: `ftyp` box, then `mdat`); plays nothing."""
    brand = b"ftyp" + b"isom" + (512).to_bytes(4, "big") + b"isomiso2mp41"
    head = (len(brand) + 4).to_bytes(4, "big") + brand
    body = Random(name).randbytes(size - len(head) - 8)
    return _put(folder, name, head + (len(body) + 8).to_bytes(4, "big") + b"mdat" + body)


def _put(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    write_new(path, data)
    return path

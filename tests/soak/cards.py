"""Which cards come back, what is on them, where and when: all of it from one seed, before anything starts."""

from __future__ import annotations

import hashlib
import io
import os
import random
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from pathlib import Path
from typing import Literal

from PIL import Image

from service.contract.cards import LARGE_FROM

START = 1_790_000_000
FOLDERS = (b"01 A", b"02 B", b"03 C")
SIDES = range(40, 210, 7)
# Names that a card may hold and that must come out as they went in; each is one file's name.
ODD_NAMES = (
    "Caf\u00e9 {}.JPG".encode(),
    "Cafe\u0301 {}.JPG".encode(),
    b"\xff\xfe{}.JPG",
    b'a<b>c:d"e|f?g*{}.JPG',
    b"back\\slash {}.JPG",
    b" spaces {} .JPG ",
    b"line\nbreak {}.JPG",
    "\u7a7a\U0001f4f7 {}.JPG".encode(),
)
# Folders that systems and repairs of a file system make: what lies in them was on the card.
ODD_FOLDERS = (
    b"lost+found",
    b"$RECYCLE.BIN/S-1-5-21-1",
    b".Trashes/501",
    b"System Volume Information",
    b"FOUND.000",
)
# What systems write there by themselves, and what nobody wants to have.
SYSTEM_FILES = (b"System Volume Information/WPSettings.dat", b".Spotlight-V100/store.db", b".DS_Store")
LEVELS = 300
Kind = Literal["still", "cut", "empty", "film"]


@dataclass(frozen=True)
class Content:
    """Bytes that are the same whenever they are asked for; equal contents are equal bytes."""

    kind: Kind
    number: int
    # Of the same size as the other of a pair, and other bytes.
    twin: bool = False

    def data(self) -> bytes:
        if self.kind == "empty":
            return b""
        if self.kind == "film":
            size = LARGE_FROM + random.Random(self.number).randrange(1, LARGE_FROM)
            return random.Random(2 * self.number + self.twin).randbytes(size)
        text = f"{'INVENTED' if self.twin else 'invented'} picture {self.number}"
        whole = _with_comment(_noise(SIDES[self.number % len(SIDES)]), text.encode())
        return whole if self.kind == "still" else whole[: len(whole) * 2 // 3]

    def other(self) -> Content:
        """Other bytes of the same size, where there are any."""
        return self if self.kind == "empty" else replace(self, twin=True)

    @cached_property
    def facts(self) -> tuple[str, int]:
        """SHA-256 and size."""
        data = self.data()
        return hashlib.sha256(data).hexdigest(), len(data)


@cache
def _noise(side: int) -> bytes:
    """A JPEG of noise, 2 to 60 kB for the sides in use."""
    out = io.BytesIO()
    noise = random.Random(side).randbytes(side * side * 3)
    Image.frombytes("RGB", (side, side), noise).save(out, "JPEG")
    return out.getvalue()


def _with_comment(jpeg: bytes, text: bytes) -> bytes:
    """Another picture file by a comment segment after SOI (ITU-T T.81, B.2.4.5)."""
    return jpeg[:2] + b"\xff\xfe" + (len(text) + 2).to_bytes(2, "big") + text + jpeg[2:]


@dataclass(frozen=True)
class File:
    name: bytes
    content: Content
    modified: int

    def under(self, folder: Path) -> Path:
        return folder / os.fsdecode(self.name)


@dataclass
class Card:
    """`prepared` cards carry a marker; the others are taken because the workstations are set to."""

    name: str
    prepared: bool
    files: list[File] = field(default_factory=list)

    def put_into(self, folder: Path) -> None:
        """Write the files; what `prepare` wrote there stays."""
        for file in self.files:
            target = file.under(folder)
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("xb") as out:
                out.write(file.content.data())
            os.utime(target, (file.modified, file.modified))
        for name in SYSTEM_FILES:
            target = folder / os.fsdecode(name)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(b"invented")

    def twin(self) -> Card:
        """Another card of the same names, sizes and times: only its bytes tell the two apart."""
        files = [replace(file, content=file.content.other()) for file in self.files]
        return Card(f"{self.name}-TWIN", False, files)

    def listed(self) -> set[tuple[bytes, str, int]]:
        """Exact path, SHA-256 and size of every file."""
        return {(file.name, *file.content.facts) for file in self.files}


@dataclass(frozen=True)
class Visit:
    """A card that a person puts into a workstation, `due` seconds after the start, and how often the
    person pulls it while it is read. `again`: it has been read there before, and is read by command."""

    card: Card
    agent: int
    due: float
    pulls: int = 0
    again: bool = False


@dataclass
class Plan:
    cards: list[Card]
    visits: list[Visit]

    def contents(self) -> dict[str, int]:
        """SHA-256 -> size of all that must be held in the end."""
        return dict(file.content.facts for card in self.cards for file in card.files)

    def files(self) -> int:
        return sum(len(card.files) for card in self.cards)

    def of(self, agent: int) -> list[Visit]:
        return sorted((v for v in self.visits if v.agent == agent), key=lambda visit: visit.due)


def visits_with(plan: Plan, agent: int, digests: set[str]) -> list[Visit]:
    """A visit to this workstation of each card that was there and has one of these files."""
    cards = {visit.card.name: visit.card for visit in plan.of(agent)}
    return [
        Visit(card, agent, 0.0)
        for card in cards.values()
        if digests & {file.content.facts[0] for file in card.files}
    ]


def make_plan(seed: int, files: int, agents: int, seconds: float) -> Plan:
    """`files` files in all; the last card comes when nine tenths of the time are over."""
    maker = _Maker(random.Random(seed))
    plan = Plan([], [])
    usual = min(250, max(12, files // (6 * agents)))
    left = files
    while left:
        wanted = min(left, maker.random.randint(usual // 2, usual * 3 // 2))
        plan.cards.append(maker.card(len(plan.cards) + 1, wanted))
        left -= wanted
    for card in list(plan.cards):
        visits = maker.visits(card, agents, 0.9 * seconds)
        plan.visits += visits
        if not card.prepared and maker.random.random() < 0.3:
            # Straight after it, into the same workstation.
            plan.cards.append(card.twin())
            plan.visits.append(Visit(plan.cards[-1], visits[0].agent, visits[0].due))
    return plan


class _Maker:
    def __init__(self, chance: random.Random) -> None:
        self.random = chance
        self.made: list[Content] = []

    def card(self, number: int, files: int) -> Card:
        card = Card(f"CARD-{number:04}", prepared=self.random.random() < 0.5)
        for place in range(files):
            # A film on the first card and then on one of five, so that each run has some.
            film = place == 0 and number % 5 == 1
            content = self._content("film" if film else None)
            card.files.append(File(self._name(place, film), content, START + 2 * place))
        return card

    def _content(self, kind: Kind | None) -> Content:
        if kind is None and self.made and self.random.random() < 0.1:
            return self.random.choice(self.made)
        if kind is None:
            [kind] = self.random.choices(("still", "cut", "empty"), (96, 3, 1))
        content = Content(kind, len(self.made))
        self.made.append(content)
        return content

    def _name(self, place: int, film: bool) -> bytes:
        folder = FOLDERS[place % len(FOLDERS)]
        if film:
            return folder + b"/TWVS%04d.MP4" % place
        if self.random.random() < 0.02:
            return self.random.choice(ODD_FOLDERS) + b"/TWVS%04d.JPG" % place
        if self.random.random() < 0.002:
            return b"d/" * LEVELS + b"TWVS%04d.JPG" % place
        if self.random.random() < 0.06:
            return folder + b"/" + self.random.choice(ODD_NAMES).replace(b"{}", b"%d" % place)
        if place >= 3 and self.random.random() < 0.03:
            # Beside a name three places earlier, in the same folder, that differs only in case.
            return folder + b"/twvs%04d.jpg" % (place - 3)
        return folder + b"/TWVS%04d.JPG" % place

    def visits(self, card: Card, agents: int, seconds: float) -> list[Visit]:
        due, first = self.random.uniform(0, seconds), self.random.randrange(agents)
        [pulls] = self.random.choices((0, 1, 2), (6, 3, 1))
        made = [Visit(card, first, due, pulls)]
        if self.random.random() < 0.15:
            made.append(Visit(card, first, self.random.uniform(due, seconds), again=True))
        if not card.prepared and agents > 1 and self.random.random() < 0.15:
            # The same card at two workstations at once: a copy of it, read at the same time.
            other = (first + 1 + self.random.randrange(agents - 1)) % agents
            made.append(Visit(card, other, due))
        return made

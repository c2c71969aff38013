"""A workstation with a prepared card of many large pictures, for the benches that move bytes."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from deploy.demo import Station
from deploy.stack import Stack
from seed.cast import PEOPLE
from seed.picture_files import LARGE_QUALITY, LARGE_SIZE, ExifFacts, jpeg, with_exif
from seed.pictures import Shot, draw
from seed.scope import dcf_name

SERIAL = "KG30401-E"
PER_FOLDER = 200
# The scope's wall clock: it knows no zone.
START = datetime(2026, 10, 20, 8)  # noqa: DTZ001


@dataclass
class Bench:
    stack: Stack
    station: Station
    card: Path


@contextmanager
def filled_card(folder: Path, files: int, *, full: bool = True) -> Iterator[Bench]:
    """The stack with the invented fleet, one enrolled workstation, and a card with `files` pictures of
    about 300 kB each, all different."""
    accounts = folder / "accounts.json"
    accounts.write_text(json.dumps({person.login: f"a long password of {person.login}" for person in PEOPLE}))
    with Stack(folder / "stack") as stack:
        stack.command("seed", *(["--full"] if full else []), "--accounts", str(accounts))
        stack.serve()
        station = Station(folder / "station", "SKB")
        code = stack.command("enrol-code", "SKB").split()[-1]
        station.run("enrol", stack.url, code, "--name", "bench-1")
        card = folder / "card"
        card.mkdir()
        station.run("prepare", SERIAL, "--card", str(card))
        fill(card, files)
        yield Bench(stack, station, card)


def fill(card: Path, files: int) -> None:
    folders = sorted(path for path in card.iterdir() if path.is_dir() and path.name[0].isdigit())
    bases = [_base(element) for element in range(1, 9)]
    for number in range(files):
        name = dcf_name("TWVS", number % 9999 + 1)
        facts = ExifFacts("VS-01", START + timedelta(seconds=9 * number), f"{number:032x}")
        target = folders[number // PER_FOLDER % len(folders)] / name
        target.write_bytes(with_exif(bases[number % len(bases)], facts))


def _base(element: int) -> bytes:
    picture = draw("gear", Shot(SERIAL, "KG.1.RING", element), element, None, LARGE_SIZE)
    return jpeg(picture, ExifFacts("VS-01", START, "0" * 32), LARGE_QUALITY)


def size_of(card: Path) -> int:
    return sum(path.stat().st_size for path in card.rglob("*.JPG"))


Work = Callable[[], object]

"""A workstation with a prepared card of many large pictures, for the benches that move bytes."""

from __future__ import annotations

import json
import os
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path

import httpx

from deploy.demo import Station
from deploy.stack import Stack
from seed.cast import PEOPLE
from seed.picture_files import LARGE_QUALITY, LARGE_SIZE, ExifFacts, jpeg, with_exif
from seed.pictures import Shot, draw
from seed.scope import dcf_name
from tests.bench.memory import run_watched
from tests.bench.ready import ReadyAgent, ready_agent
from tests.bench.shaped import shaped

# The slow link carries 20 Mbit/s and takes so many seconds each way.
RATE = 20e6 / 8
DELAY = 0.040
METRICS_TOKEN = "metrics-token-of-the-benches"
ACCOUNTS = {person.login: f"a long password of {person.login}" for person in PEOPLE}
ANSWERED = re.compile(r'^sightledger_request_seconds_sum\{.*route="([^"]*)".*\} (\S+)$', re.MULTILINE)
# Width and height, and JPEG quality.
Pictures = tuple[tuple[int, int], int]
LARGE: Pictures = (LARGE_SIZE, LARGE_QUALITY)
SERIAL = "KG30401-E"
PER_FOLDER = 200
# The scope's wall clock: it knows no zone.
START = datetime(2026, 10, 20, 8)  # noqa: DTZ001


@dataclass(frozen=True)
class Ways:
    """The addresses at which an agent reaches service and store."""

    service: str
    store: str


@dataclass
class Bench:
    stack: Stack
    station: Station
    card: Path
    ready: ReadyAgent
    most: float = 0.0
    taken: int = 0

    def agent(self, *words: str) -> float:
        """Runs one command of the agent to its end and returns the most memory it had, in MB."""
        command = [sys.executable, "-m", "agent", *words]
        taken = run_watched(command, {**os.environ, **self.station.environment})
        self.most = max(self.most, taken)
        return taken

    def push(self) -> float:
        """Has the agent that stands ready push what waits; returns the seconds that it took."""
        return self.ready.push()

    def memory(self) -> str:
        most = max(self.most, self.ready.most)
        return f"agent started {self.ready.start:.1f}s before the first; at most {most:.0f} MB"


@contextmanager
def straight(service: str, store: str) -> Iterator[Ways]:
    yield Ways(service, store)


@contextmanager
def slow(service: str, store: str) -> Iterator[Ways]:
    with shaped(RATE, DELAY, service, store) as (to_service, to_store):
        yield Ways(to_service, to_store)


@contextmanager
def filled_card(
    folder: Path,
    files: int,
    *,
    full: bool = True,
    over: Callable[[str, str], AbstractContextManager[Ways]] = straight,
) -> Iterator[Bench]:
    """Yields what `enrolled` does, and a card with `files` pictures of about 300 kB each, all different."""
    with (
        enrolled(folder, full=full, over=over) as (stack, station),
        ready_agent(station.environment) as agent,
    ):
        bench = Bench(stack, station, folder / "card", agent)
        prepared(bench, bench.card)
        fill(bench, files)
        yield bench


@contextmanager
def enrolled(
    folder: Path, *, full: bool, over: Callable[[str, str], AbstractContextManager[Ways]] = straight
) -> Iterator[tuple[Stack, Station]]:
    """Yields the stack with the invented fleet, and a workstation enrolled `over` a link."""
    accounts = folder / "accounts.json"
    accounts.write_text(json.dumps(ACCOUNTS))
    with (
        Stack(folder / "stack") as stack,
        over(stack.url, stack.environment["SIGHTLEDGER_S3_ENDPOINT"]) as ways,
    ):
        stack.environment["SIGHTLEDGER_S3_PUBLIC_ENDPOINT"] = ways.store
        stack.environment["SIGHTLEDGER_METRICS_TOKEN"] = METRICS_TOKEN
        stack.command("seed", *(["--full"] if full else []), "--accounts", str(accounts))
        stack.serve()
        station = Station(folder / "station", "SKB")
        code = stack.command("enrol-code", "SKB").split()[-1]
        station.run("enrol", ways.service, code, "--name", "bench-1")
        yield stack, station


def prepared(bench: Bench, card: Path) -> Path:
    """Prepares a card and tells the service, as happens days before a card comes back."""
    card.mkdir()
    bench.station.run("prepare", SERIAL, "--card", str(card), "--profile", "two-level")
    bench.station.run("run", "--once")
    return card


def fill(bench: Bench, files: int, pictures: Pictures = LARGE) -> None:
    """Puts pictures onto the bench's card that no card had before."""
    folders = sorted(path for path in bench.card.iterdir() if path.is_dir() and path.name[0].isdigit())
    bases = [_base(element, pictures) for element in range(1, min(files, 8) + 1)]
    first, bench.taken = bench.taken, bench.taken + files
    for number in range(first, bench.taken):
        name = dcf_name("TWVS", number % 9999 + 1)
        facts = ExifFacts("VS-01", START + timedelta(seconds=9 * number), f"{number:032x}")
        target = folders[number // PER_FOLDER % len(folders)] / name
        target.write_bytes(with_exif(bases[number % len(bases)], facts))


@cache
def _base(element: int, pictures: Pictures) -> bytes:
    size, quality = pictures
    picture = draw("gear", Shot(SERIAL, "KG.1.RING", element), element, None, size)
    return jpeg(picture, ExifFacts("VS-01", START, "0" * 32), quality)


def seconds_of(bench: Bench, route: str) -> float:
    """What the service has counted so far for its answers on routes that end so (/metrics, a histogram)."""
    answer = httpx.get(
        f"{bench.stack.url}/metrics", headers={"Authorization": f"Bearer {METRICS_TOKEN}"}, timeout=30
    )
    counted = ANSWERED.findall(answer.raise_for_status().text)
    return sum(float(value) for path, value in counted if path.endswith(route))


def size_of(card: Path) -> int:
    return sum(path.stat().st_size for path in card.rglob("*.JPG"))


Work = Callable[[], object]

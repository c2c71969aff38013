"""What goes wrong and when: drawn from the seed before the start, done one after the other while it runs."""

from __future__ import annotations

import heapq
import itertools
import random
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.link.proxy import Proxy
from tests.soak.backend import Backend
from tests.soak.workplace import Workplace

# How often each comes in a minute of a long soak, over all targets together.
PER_MINUTE = {
    "kill agent": 3.0,
    "kill service": 1.0,
    "kill worker": 0.7,
    "kill Postgres": 0.2,
    "kill store": 0.2,
    "clock": 2.0,
    "reset": 4.0,
    "black hole": 1.5,
    "half open": 1.0,
    "refuse": 1.0,
    "lost answer": 1.5,
    "flipped bit": 0.5,
    "full Postgres": 0.07,
    "full store": 0.07,
    "full state": 0.2,
    "full spool": 0.2,
    "vanish": 0.3,
}
# Of a backup: when it is taken and when the database is put back to it, in parts of the whole time.
BACKUP_AT, RESTORE_AT = 0.35, 0.6
HOUR, DAY = 3600.0, 86400.0
JUMPS = (-2 * HOUR, -60.0, HOUR, 14 * HOUR, 30 * DAY, 365 * DAY)
ANSWERS = (b"/commit", b"/parts/", b"PUT /")


@dataclass(frozen=True)
class Fault:
    """`choice` picks among targets and kinds, whatever their number; `lasts` seconds where that means
    something."""

    at: float
    kind: str
    choice: int
    lasts: float


def plan_faults(seed: int, seconds: float, pace: float) -> list[Fault]:
    """Each kind at least once, on average `pace` times as often as PER_MINUTE, none after `seconds`."""
    chance = random.Random(seed)
    planned = []
    for kind, rate in PER_MINUTE.items():
        wanted = max(1, round(rate * pace * seconds / 60))
        for _ in range(wanted):
            at, lasts = chance.uniform(0.05, 0.95) * seconds, chance.uniform(0.5, min(12.0, seconds / 6))
            planned.append(Fault(at, kind, chance.randrange(1 << 30), lasts))
    for kind, at in (("backup", BACKUP_AT), ("restore", RESTORE_AT)):
        planned.append(Fault(at * seconds, kind, 0, 0))
    return sorted(planned, key=lambda fault: fault.at)


class Trouble:
    """Does the planned faults, in a thread of its own; after `stop` nothing is wrong any more."""

    def __init__(self, backend: Backend, places: list[Workplace], planned: list[Fault]) -> None:
        self.backend, self.places = backend, places
        self.figures: Counter[str] = Counter()
        self.failure: BaseException | None = None
        #: Originals that were deleted behind the service's back.
        self.vanished: set[str] = set()
        self._backup: Path | None = None
        self._order = itertools.count()
        self._due: list[tuple[float, int, Callable[[], None]]] = []
        for fault in planned:
            self._at(fault.at, lambda fault=fault: self._do(fault))
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="trouble", daemon=True)

    def begin(self) -> None:
        self._started = time.monotonic()
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
        for link in (self.backend.store_link, *(place.link for place in self.places)):
            link.faults.refuse = link.faults.swallow = False
            link.faults.drop_answer_to = link.faults.flip_from = None
            link.reset_all()
        for place in self.places:
            place.set_clock(0)

    def _at(self, seconds: float, action: Callable[[], None]) -> None:
        heapq.heappush(self._due, (seconds, next(self._order), action))

    def _now(self) -> float:
        return time.monotonic() - self._started

    def _work(self) -> None:
        try:
            while self._due:
                at, _, action = heapq.heappop(self._due)
                # Once asked to stop, what is left is done without waiting: none of the plan is dropped.
                self._stop.wait(max(0.0, at - self._now()))
                action()
        except BaseException as error:
            self.failure = error

    def _do(self, fault: Fault) -> None:
        place = self.places[fault.choice % len(self.places)]
        # The store's link carries most of the bytes: as often as all the others together.
        link = self.backend.store_link if fault.choice // 64 % 2 else place.link
        match fault.kind.split():
            case ["kill", "agent"]:
                place.kill()
            case ["kill", part]:
                self.backend.kill(part)
            case ["clock"]:
                self._jump(place, fault)
            case ["full", part]:
                self._fill(part, fault)
            case ["vanish"]:
                self.figures["originals vanished"] += 1
                self.vanished |= {self.backend.vanish(fault.choice)} - {None}  # type: ignore[arg-type]
            case ["backup"]:
                self._backup = self.backend.dump()
            case ["restore"]:
                self.figures["databases put back"] += 1
                assert self._backup is not None
                self.backend.restore(self._backup)
            case _:
                self.figures[fault.kind] += 1
                self._disturb(link, fault)

    def _fill(self, part: str, fault: Fault) -> None:
        """Of workstations one; without the right to mount disks, none is ever full."""
        number = "" if part in ("Postgres", "store") else f" {fault.choice % len(self.places)}"
        if f"{part}{number}" in self.backend.disks:
            self.figures[f"{part} disks full"] += 1
            self.backend.full_disk(f"{part}{number}", fault.lasts)

    def _jump(self, place: Workplace, fault: Fault) -> None:
        place.set_clock(JUMPS[fault.choice // 64 % len(JUMPS)])
        self._at(self._now() + 2 * fault.lasts, lambda: place.set_clock(0))

    def _disturb(self, link: Proxy, fault: Fault) -> None:
        match fault.kind:
            case "reset":
                link.reset_all()
            case "half open":
                link.half_open_all()
            case "lost answer":
                link.faults.drop_answer_to = ANSWERS[fault.choice // 128 % len(ANSWERS)]
            case "flipped bit":
                # Of the store's link alone: the link to the service is not watched by a checksum of ours.
                self.backend.store_link.faults.flip_from = 1000
            case "refuse":
                link.faults.refuse = True
                link.reset_all()
                self._at(self._now() + fault.lasts, lambda: setattr(link.faults, "refuse", False))
            case "black hole":
                link.faults.swallow = True
                self._at(self._now() + fault.lasts, lambda: setattr(link.faults, "swallow", False))

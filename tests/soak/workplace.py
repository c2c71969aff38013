"""A workstation with its agent, and the person who brings it cards."""

from __future__ import annotations

import contextlib
import math
import os
import random
import re
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from pathlib import Path
from typing import Any

from tests.disks import MB
from tests.link.proxy import Proxy
from tests.live_service import ROOT
from tests.soak.backend import Backend, Program, wait_until
from tests.soak.cards import Card, Visit

STATE_DISK, SPOOL_DISK = 500 * MB, 4000 * MB
PEAK = re.compile(r"VmHWM:\s+(\d+) kB")
LOOK_EVERY = 0.2
# A person who finds a card not read to its end after so long takes it out and puts it in again.
PATIENCE = 45.0
# No disk of a soak is full for longer.
FULL_FOR_S = 120
UNREAD = 4
DISK_FULL = 6


class Workplace:
    """State folder, slot and link of one workstation; `agent` is its running `sightledger-agent run`."""

    def __init__(self, number: int, backend: Backend, site: str, unit: str, folder: Path) -> None:
        self.number, self.backend, self.site, self.unit, self.folder = number, backend, site, unit, folder
        self.state, self.slot, self.clock = folder / "state", folder / "slot", folder / "clock"
        self.slot.mkdir(parents=True)
        backend.disk(f"state {number}", self.state, STATE_DISK)
        backend.disk(f"spool {number}", self.state / "spool", SPOOL_DISK)
        self.clock.write_text("0")
        self.link = backend.stack.enter_context(Proxy(backend.settings.public_url))
        self.figures: Counter[str] = Counter()
        self.peak = 0.0
        self._enrol()
        self.agent = Program("agent", self._command("run"), folder / "agent.log", self._environment())
        backend.stack.callback(self.agent.stop)

    def _enrol(self) -> None:
        administrator = self.backend.running.client_for(["administrator"])
        answer = administrator.post("/api/v1/enrolment-codes", json={"site": self.site})
        answer.raise_for_status()
        self.run("enrol", self.link.url, answer.json()["code"], "--name", f"bench-{self.number}")

    def _command(self, *words: str) -> list[str]:
        launcher = [sys.executable, "-m", "tests.soak.shifted", str(self.clock)]
        return [*launcher, "--state", str(self.state), *words]

    def _environment(self) -> dict[str, str]:
        kept = {name: value for name, value in os.environ.items() if not name.startswith("SIGHTLEDGER")}
        settings = {
            "MEDIA_ROOTS": str(self.slot / "*"),
            "TAKE_UNMARKED": "true",
            "WATCH_EVERY": "0.3",
            "PULL_EVERY": "5",
            "REPORT_EVERY": "5",
            "COMPARE_EVERY": "5",
            "SPOOL_FREE": str(20 * MB),
            "TIMEOUT": "5",
        }
        return kept | {f"SIGHTLEDGER_AGENT_{name}": value for name, value in settings.items()}

    def run(self, *words: str, codes: tuple[int, ...] = (0,)) -> str:
        """One command of the agent to its end; its standard output. Who is told that a disk is full does it
        again when there is room."""
        for _ in range(FULL_FOR_S // 5):
            done = subprocess.run(
                self._command(*words), env=self._environment(), cwd=ROOT, capture_output=True, text=True
            )
            if done.returncode != DISK_FULL:
                break
            self.figures[f"{words[0]} on a full disk"] += 1
            time.sleep(5)
        if done.returncode not in codes:
            raise RuntimeError(f"sightledger-agent {words[0]} ended with {done.returncode}: {done.stderr}")
        return done.stdout

    def kill(self) -> None:
        self.figures["agent kills"] += 1
        self.look_at_memory()
        self.agent.kill()

    def set_clock(self, seconds: float) -> None:
        self.figures["clock jumps"] += bool(seconds)
        beside = self.clock.with_suffix(".new")
        beside.write_text(str(seconds))
        beside.replace(self.clock)

    def look_at_memory(self) -> None:
        """Note the most memory, in MB, that the running agent has had so far."""
        child = self.agent.child
        with contextlib.suppress(OSError):
            found = PEAK.search(Path(f"/proc/{child.pid if child else 0}/status").read_text())
            self.peak = max(self.peak, int(found[1]) / 1024 if found else 0.0)

    def asked(self, query: str, *values: object) -> list[tuple[Any, ...]]:
        """Rows of the agent's outbox, looked at from outside while it works; waits while its disk is full,
        where not even reading is possible once a killed agent has left a log to be recovered."""
        for _ in range(FULL_FOR_S):
            with contextlib.suppress(sqlite3.OperationalError):
                return self._asked(query, *values)
            time.sleep(1)
        return self._asked(query, *values)

    def _asked(self, query: str, *values: object) -> list[tuple[Any, ...]]:
        # Read only would not do: a write-ahead log that a killed agent left wants to be recovered.
        address = f"file:{self.state / 'outbox.sqlite3'}?mode=rw"
        with contextlib.closing(sqlite3.connect(address, uri=True, timeout=30)) as connection:
            connection.execute("PRAGMA query_only=1")
            return connection.execute(query, values).fetchall()

    def readings(self, card: Card) -> dict[str, tuple[str, bool]]:
        """Card return -> its state and whether the whole card was read, for one card."""
        rows = self.asked(
            "SELECT id, state, complete FROM returns WHERE source=?", str(self.slot / card.name)
        )
        return {key: (state, bool(complete)) for key, state, complete in rows}

    def outbox_left(self) -> float:
        """Card returns without a receipt and preparations that the service does not know of; NaN while that
        cannot be read."""
        try:
            return sum(
                int(self._asked(query)[0][0])
                for query in (
                    "SELECT count(*) FROM returns WHERE state<>'held'",
                    "SELECT count(*) FROM preparations WHERE sent_at IS NULL",
                )
            )
        except sqlite3.OperationalError:
            return math.nan


class Person:
    """Works off one workstation's visits, in a thread of its own."""

    def __init__(self, place: Workplace, visits: list[Visit], drawer: Path, seed: int) -> None:
        self.place, self.visits, self.drawer = place, visits, drawer
        self.stop = threading.Event()
        self.trouble: BaseException | None = None
        self.done = 0
        self._chance = random.Random(seed)
        self._thread = threading.Thread(target=self._work, name=f"person-{place.number}", daemon=True)

    def begin(self, started: float) -> None:
        """`started`: when the soak began, by time.monotonic."""
        self._started = started
        self._thread.start()

    def busy(self) -> bool:
        return self._thread.is_alive()

    def join(self) -> None:
        self.stop.set()
        self._thread.join(60)

    def _work(self) -> None:
        try:
            for visit in self.visits:
                if self.stop.wait(max(0.0, self._started + visit.due - time.monotonic())):
                    return
                self._visit(visit)
                self.done += 1
        except BaseException as error:
            self.trouble = error

    def _visit(self, visit: Visit) -> None:
        folder = self._fetch(visit)
        before = set(self.place.readings(visit.card))
        slot = self.place.slot / visit.card.name
        folder.rename(slot)
        if visit.again:
            self._read_by_command(slot)
        for _ in range(visit.pulls):
            self._pull_while_read(visit.card, slot, folder, before)
        self._wait_until_read(visit, slot, folder, before)
        slot.rename(folder)

    def _fetch(self, visit: Visit) -> Path:
        """The card in the drawer: as an earlier visit left it, or made now; beside it a copy for another."""
        folder = self.drawer / f"agent-{self.place.number}" / visit.card.name
        if not folder.exists():
            folder.mkdir(parents=True)
            if visit.card.prepared:
                self.place.run("prepare", self.place.unit, "--card", str(folder), "--profile", "two-level")
            visit.card.put_into(folder)
        return folder

    def _read_by_command(self, slot: Path) -> None:
        self.place.run("read", str(slot), "--no-push", codes=(0, UNREAD))
        self.place.figures["cards read again"] += 1

    def _pull_while_read(self, card: Card, slot: Path, folder: Path, before: set[str]) -> None:
        with contextlib.suppress(TimeoutError):
            wait_until(lambda: bool(self._new(card, before)), 20, "the agent did not begin", every=0.005)
        # A small card is read in a tenth of a second.
        time.sleep(self._chance.uniform(0, len(card.files) / 1000))
        if any(state == "reading" for state, _ in self._new(card, before)):
            self.place.figures["cards pulled in mid read"] += 1
        slot.rename(folder)
        # At times back before the agent has seen that it was gone.
        time.sleep(self._chance.choice((0.05, 1.0, 3.0)))
        folder.rename(slot)

    def _new(self, card: Card, before: set[str]) -> list[tuple[str, bool]]:
        return [one for key, one in self.place.readings(card).items() if key not in before]

    def _wait_until_read(self, visit: Visit, slot: Path, folder: Path, before: set[str]) -> None:
        """Until the agent says that the whole card is copied."""
        patience = time.monotonic() + PATIENCE
        while not any(whole and state != "reading" for state, whole in self._new(visit.card, before)):
            if self.stop.wait(LOOK_EVERY):
                raise TimeoutError(f"{visit.card.name} was not read to its end at agent {self.place.number}.")
            if time.monotonic() > patience:
                self.place.figures["cards put in again by hand"] += 1
                slot.rename(folder)
                time.sleep(2)
                folder.rename(slot)
                patience = time.monotonic() + PATIENCE

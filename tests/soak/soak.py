"""The soak from beginning to end: stack, workstations, persons, faults, rest, reconciliation."""

from __future__ import annotations

import asyncio
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from service.database import EVERY_SITE, Database
from tests import factories
from tests.campaigns import steps
from tests.live_service import execute
from tests.soak.backend import Backend
from tests.soak.cards import Plan, make_plan, visits_with
from tests.soak.faults import Trouble, plan_faults
from tests.soak.reconciliation import differences, sent_by_sites
from tests.soak.workplace import Person, Workplace

Say = Callable[[str], None]


@dataclass(frozen=True)
class Wanted:
    """`seconds` with faults; `pace` is how many times as often as faults.PER_MINUTE; `rest` is how long at
    most everything may take to come to rest afterwards."""

    seed: int
    files: int
    agents: int
    seconds: float
    pace: float
    rest: float
    say_every: float = 10.0


@dataclass
class Outcome:
    figures: dict[str, Any] = field(default_factory=dict)
    differences: list[str] = field(default_factory=list)


def soak(wanted: Wanted, folder: Path, say: Say) -> Outcome:
    """Raises nothing for what the soak finds: that is in `differences`."""
    say(f"seed {wanted.seed}: making the plan of {wanted.files} files")
    plan = make_plan(wanted.seed, wanted.files, wanted.agents, wanted.seconds)
    with Backend(folder / "backend") as backend:
        places = _workplaces(backend, wanted.agents, folder)
        run = _Run(wanted, plan, backend, places, folder / "drawer", say)
        run.faults()
        run.rest("to rest")
        run.heal()
        return run.outcome()


def _workplaces(backend: Backend, agents: int, folder: Path) -> list[Workplace]:
    """Agents at two sites by turns, each with a unit of its own to be inspected."""

    async def made() -> list[tuple[str, str]]:
        db = Database(backend.settings.database_url, scope=EVERY_SITE)
        try:
            fleet = await factories.fleet(db)
            sites = [list(fleet.sites)[number % 2] for number in range(agents)]
            units = [(await factories.add_units(db, fleet, 1, site=site))[0] for site in sites]
            await steps.campaign(db, fleet, units)
            return list(zip(sites, units, strict=True))
        finally:
            await db.close()

    return [
        Workplace(number, backend, site, unit, folder / f"agent-{number}")
        for number, (site, unit) in enumerate(asyncio.run(made()))
    ]


class _Run:
    def __init__(
        self, wanted: Wanted, plan: Plan, backend: Backend, places: list[Workplace], drawer: Path, say: Say
    ) -> None:
        self.wanted, self.plan, self.backend, self.places = wanted, plan, backend, places
        self.drawer, self.say = drawer, say
        self.persons = [
            Person(place, plan.of(place.number), drawer, wanted.seed + 1 + place.number) for place in places
        ]
        self.trouble = Trouble(backend, places, plan_faults(wanted.seed, wanted.seconds, wanted.pace))
        self.differences: list[str] = []
        self.seconds: dict[str, float] = {}
        self._said = 0.0
        self._failed: set[str] = set()

    def faults(self) -> None:
        """Cards come and everything fails, for as long as it was asked for."""
        started = time.monotonic()
        for place in self.places:
            place.agent.start()
        self.trouble.begin()
        for person in self.persons:
            person.begin(started)
        while time.monotonic() < started + self.wanted.seconds:
            self._turn("under faults", started)
        self.trouble.stop()
        self.seconds["under faults"] = time.monotonic() - started

    def heal(self) -> None:
        """What was deleted from the store is found by the audit, and comes again with a card that has it."""
        if not self.trouble.vanished:
            return
        self.backend.audit(self.trouble.vanished)
        started = time.monotonic()
        self.persons = [
            Person(place, visits, self.drawer, self.wanted.seed)
            for place in self.places
            if (visits := visits_with(self.plan, place.number, self.trouble.vanished))
        ]
        self.say(f"healing {len(self.trouble.vanished)} originals")
        for person in self.persons:
            person.begin(started)
        self.rest("to heal")
        self.backend.audit(self.trouble.vanished)

    def rest(self, name: str) -> None:
        """No fault any more: wait until every card is read and everything is held."""
        started = time.monotonic()
        while not self._at_rest():
            if time.monotonic() > started + self.wanted.rest:
                self.differences.append(
                    f"not {name} after {self.wanted.rest:.0f} s: {self._so_far()}, jobs: {self._jobs()}"
                )
                break
            self._turn(f"coming to rest, jobs: {self._jobs()}", started)
        self.seconds[name] = time.monotonic() - started
        for person in self.persons:
            person.join()

    def _turn(self, doing: str, started: float) -> None:
        time.sleep(0.3)
        self.backend.watch()
        for place in self.places:
            place.agent.watch()
            place.look_at_memory()
        for name, failure in self._failures():
            if name not in self._failed:
                self._failed.add(name)
                self.say(f"{name}: {type(failure).__name__}: {failure}")
        if time.monotonic() > self._said + self.wanted.say_every:
            self._said = time.monotonic()
            self.say(f"{doing} {time.monotonic() - started:5.0f} s: {self._so_far()}")

    def _at_rest(self) -> bool:
        if any(person.busy() for person in self.persons):
            return False
        return not any(place.outbox_left() for place in self.places) and not self._jobs()

    def _jobs(self) -> list[str]:
        """What the worker has not done, each with how often it was begun in vain."""
        rows = execute(
            self.backend.settings,
            "SELECT task_name, attempts FROM procrastinate_jobs WHERE status IN ('todo', 'doing')",
        )
        return [f"{name} after {attempts} attempts" for name, attempts in rows]

    def _so_far(self) -> str:
        done = sum(person.done for person in self.persons)
        waiting = sum(place.outbox_left() for place in self.places)
        kills = sum(self.backend.kills.values()) + sum(p.figures["agent kills"] for p in self.places)
        links = [self.backend.store_link, *(place.link for place in self.places)]
        sent = sum(link.up for link in links) / 1e6
        return (
            f"{done} of {len(self.plan.visits)} visits, {waiting} in outboxes, {sent:.0f} MB sent, "
            f"{kills} kills, {sum(self.trouble.figures.values())} faults of links"
        )

    def outcome(self) -> Outcome:
        for name, failure in self._failures():
            self.differences.append(f"{name}: {type(failure).__name__}: {failure}")
        for part in (self.backend.service, self.backend.worker):
            if part.ended_by_itself:
                # A supervisor starts it again; it is said, for none of the faults should be needed to do so.
                self.say(f"{part.name} ended by itself {part.ended_by_itself} times")
        self.say("reconciling")
        started = time.monotonic()
        self.differences += differences(self.plan, self.backend, self.places, self.drawer)
        self.seconds["reconciling"] = time.monotonic() - started
        return Outcome(self._figures(), self.differences)

    def _failures(self) -> list[tuple[str, BaseException]]:
        found = [(f"person {one.place.number}", one.trouble) for one in self.persons]
        return [(name, why) for name, why in [*found, ("faults", self.trouble.failure)] if why is not None]

    def _figures(self) -> dict[str, Any]:
        contents = self.plan.contents()
        at_places = sum((place.figures for place in self.places), Counter[str]())
        [[returns, files, new, size, size_new]] = execute(
            self.backend.settings,
            "SELECT count(*), coalesce(sum(files), 0), coalesce(sum(files_new), 0),"
            " coalesce(sum(bytes), 0)::bigint, coalesce(sum(bytes_new), 0)::bigint"
            " FROM card_returns WHERE committed_at IS NOT NULL",
        )
        to_store, to_service = self.backend.store_link.up, sum(place.link.up for place in self.places)
        payload = sum(sent_by_sites(self.plan, self.places).values())
        return {
            "seed": self.wanted.seed,
            "agents": len(self.places),
            "cards": len(self.plan.cards),
            "visits": len(self.plan.visits),
            "files": self.plan.files(),
            "distinct files": len(contents),
            "distinct bytes": sum(contents.values()),
            "seconds": {name: round(value, 1) for name, value in self.seconds.items()},
            "kills": dict(self.backend.kills) | {"agent": at_places.pop("agent kills", 0)},
            "restarts not asked for": {
                one.name: one.ended_by_itself for one in (self.backend.service, self.backend.worker)
            },
            "links": dict(self.trouble.figures),
            **at_places,
            "card returns": returns,
            "files in card returns": files,
            "files held already, not sent": files - new,
            "bytes held already, not sent": size - size_new,
            "bytes to the store": to_store,
            "bytes to the service": to_service,
            "bytes over payload": round((to_store + to_service) / payload, 3),
            "peak MB of agents": [round(place.peak, 1) for place in self.places],
        }

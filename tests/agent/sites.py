"""A unit in inspection at a site of a running service, with an enrolled workstation and a card for it."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from agent.settings import State
from agent.workstation import Workstation
from service.contract.wire import new_id
from service.database import EVERY_SITE, Database
from tests import factories
from tests.agent.station import Bench, jpeg, put
from tests.campaigns import steps
from tests.live_service import Running

ROOT = Path(__file__).parents[2]


@dataclass
class Site:
    """A unit in inspection at a site with an enrolled workstation, and a card for it."""

    service: Running
    code: str
    unit: str
    state: State
    card: Path

    def agent(self, *arguments: str, code: int = 0, **environment: str) -> str:
        run = subprocess.run(
            command(self.state, *arguments),
            capture_output=True,
            text=True,
            env=variables(**environment),
            cwd=ROOT,
        )
        assert run.returncode == code, run.stdout + run.stderr
        return run.stdout

    def status(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.agent("status", "--json"))
        return found

    def get(self, path: str) -> Any:
        answer = self.service.client_for(["auditor"]).get(f"/api/v1{path}")
        answer.raise_for_status()
        return answer.json()

    def bench(self, station: Workstation) -> Bench:
        inspection = station.cache.worklist()
        assert inspection is not None
        return Bench(station, self.card, inspection.inspections[0], new_id())

    def prepared(self, pictures: int) -> dict[str, bytes]:
        """Prepare the card and take pictures of location A onto it; path -> bytes."""
        words = ("--card", str(self.card), "--profile", "two-level", "--scope", "VS-1")
        self.agent("prepare", self.unit, *words)
        taken = {f"01 A/TWVS{n:04}.JPG": jpeg(new_id().int % 2**32) for n in range(1, pictures + 1)}
        for path, data in taken.items():
            put(self.card, path, data)
        return taken


def command(state: State, *arguments: str) -> list[str]:
    return [sys.executable, "-m", "agent", "--state", str(state.folder), *arguments]


def variables(**more: str) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith("SIGHTLEDGER")}
    return {**kept, **more}


async def make_unit(url: str) -> tuple[str, str]:
    db = Database(url, scope=EVERY_SITE)
    try:
        made = await factories.fleet(db)
        serials = await factories.add_units(db, made, 1)
        await steps.campaign(db, made, serials)
        await factories.add_people(db, made, made.site, "A. Person")
        return made.site, serials[0]
    finally:
        await db.close()


def make_site(service: Running, database_url: str, folder: Path) -> Site:
    """The site, its workstation enrolled, its card empty in the only slot."""
    code, unit = asyncio.run(make_unit(database_url))
    answer = service.client_for(["administrator"]).post("/api/v1/enrolment-codes", json={"site": code})
    answer.raise_for_status()
    card = folder / "slots" / "card"
    card.mkdir(parents=True)
    made = Site(service, code, unit, State(folder / "state"), card)
    made.agent("enrol", service.url, answer.json()["code"], "--name", "bench-1")
    return made

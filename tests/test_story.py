"""The main job end to end: the demo's story over the real service, engines and agents."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import pytest

from deploy.demo import Station
from deploy.embedded.processes import Child
from seed.cast import CARDS, PEOPLE
from seed.load import load
from seed.scenario import load_scenario
from seed.story import Story, Summary
from service.objects import ObjectSettings
from service.settings import Settings
from tests.running import Running, environment_of, running_service

Play = Callable[[], Summary]


@pytest.fixture(scope="module")
def play(
    module_database_url: str,
    bucket: ObjectSettings,
    service_settings: Settings,
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Play]:
    """Plays the story; called again, it plays it again on what is there."""
    folder = tmp_path_factory.mktemp("story with a space")
    settings = replace(service_settings, database_url=module_database_url, s3_bucket=bucket.bucket)
    passwords = {person.login: f"a long password of {person.login}" for person in PEOPLE}
    accounts = folder / "accounts.json"
    accounts.write_text(json.dumps(passwords))
    load(settings, full=False, accounts=accounts)
    said: list[str] = []
    with ExitStack() as parts:
        service = parts.enter_context(running_service(settings, folder))
        stations = {site.code: _station(parts, service, folder, site.code) for site in load_scenario().sites}

        def once() -> Summary:
            load(settings, full=False, accounts=accounts)
            return Story(service.url, passwords, dict(stations), said.append).play()

        yield once


def _station(parts: ExitStack, service: Running, folder: Path, site: str) -> Station:
    station = Station(folder / "sites" / site, site)
    code = service.client_for(["administrator"]).post("/api/v1/enrolment-codes", json={"site": site})
    station.run("enrol", service.url, code.json()["code"], "--name", f"{site.lower()}-bench-1")
    agent = Child(
        [sys.executable, "-m", "agent", "run"],
        log=folder / f"agent-{site}.log",
        environment=environment_of(service.settings, **station.environment),
    )
    parts.callback(agent.stop)
    return station


def test_story_ends_as_told_and_a_second_play_doubles_nothing(play: Play) -> None:
    first = play()
    assert first.card_returns == len(CARDS) + 1
    assert first.files_read == first.images + first.not_sent
    again = sum(load_scenario().location(key).pictures_required for key in CARDS[0].locations)
    assert first.not_sent == again
    assert first.complete > 0
    assert first.proofs
    assert play() == first

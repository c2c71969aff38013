"""The main job end to end: the demo's story over the real service, engines and agents."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest
from msgspec.structs import replace

from deploy.demo import Station
from deploy.embedded.processes import Child
from seed.cast import CARDS, PEOPLE
from seed.load import load
from seed.scenario import load_scenario
from seed.story import Story, Summary
from service.objects import ObjectSettings
from service.settings import Settings
from tests.intake.factories import fresh_seed, jpeg
from tests.live_service import Running, environment_of, running_service


@dataclass
class Played:
    """`play` plays the story; called again, it plays it again on what is there."""

    service: Running
    folder: Path
    play: Callable[[], Summary]


@pytest.fixture(scope="module")
def story(
    module_database_url: str,
    bucket: ObjectSettings,
    service_settings: Settings,
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Played]:
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
            with Story(service.url, passwords, dict(stations), said.append) as told:
                return told.play()

        yield Played(service, folder, once)


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


def test_story_ends_as_told_and_a_second_play_doubles_nothing(story: Played) -> None:
    first = story.play()
    assert first.card_returns == len(CARDS) + 1
    assert first.files_read == first.images + first.not_sent
    again = sum(load_scenario().location(key).pictures_required for key in CARDS[0].locations)
    assert first.not_sent == again
    assert first.complete > 0
    assert (first.others, first.elsewhere, first.not_held) == (0, 0, 0)
    assert first.proofs
    assert story.play() == first


def test_a_card_of_ones_own_beside_the_storys_is_told_of_and_spoils_nothing(story: Played) -> None:
    """A visitor enrols a workstation, brings a card of the audited unit and completes a location of it."""
    before = story.play()
    visitor = Station(story.folder / "visitor", CARDS[0].site)
    code = story.service.client_for(["administrator"]).post(
        "/api/v1/enrolment-codes", json={"site": visitor.site}
    )
    visitor.run("enrol", story.service.url, code.json()["code"], "--name", "visitor")
    card = visitor.media / "own"
    card.mkdir()
    visitor.run("prepare", CARDS[0].serial, "--card", str(card), "--profile", "two-level")
    folder = next(path for path in card.iterdir() if path.name.endswith("KG.2.PIN"))
    for number in range(3):
        (folder / f"OWN{number}.JPG").write_bytes(jpeg(fresh_seed()))
    visitor.run("read", str(card), "--complete", "KG.2.PIN", "--person", CARDS[0].person, "--push")

    after = story.play()
    assert after.others == 3
    assert after.images == before.images + 3
    assert (after.elsewhere, after.not_held) == (0, 0)
    assert after.proofs[: len(before.proofs)] == before.proofs

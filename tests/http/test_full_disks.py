"""Database and store on disks that fill to the last block: each still answers, and people must hear of it."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient
from msgspec.structs import replace

from deploy.embedded.postgres import MIGRATIONS, Postgres
from deploy.embedded.store import ObjectStore
from service import writable
from service.app import create_app
from service.database import migrate
from service.objects import Objects
from service.objects.probing import PREFIX
from service.parts import open_objects
from service.settings import Settings
from service.writable import Kept
from tests import engines
from tests.disks import can_mount, memory_disk
from tests.http.problems import problem_of
from tests.live_service import token_of_person, with_store

small_disks = pytest.mark.skipif(not can_mount(), reason="a small disk cannot be mounted here")


@contextmanager
def small_disk(mebibytes: int) -> Iterator[Path]:
    with engines.throwaway_folder() as folder, memory_disk(folder / "disk", mebibytes) as disk:
        yield disk


def fill(disk: Path) -> Path:
    """A file that takes every block that is left."""
    ballast = disk / "ballast"
    with ballast.open("wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(bytes(4096))
    assert shutil.disk_usage(disk).free < 4096
    return ballast


@pytest.fixture(autouse=True)
def asked_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every question is asked as if the last answer were old."""
    monkeypatch.setattr(writable, "GOOD_FOR_S", 0.0)
    monkeypatch.setattr(writable, "BAD_FOR_S", 0.0)


def told(client: TestClient[Any], settings: Settings, part: str) -> str:
    """What is said of a part that is full or not, at every place where it is said."""
    ready = client.get("/health/ready")
    metrics = client.get("/metrics", headers={"Authorization": f"Bearer {settings.metrics_token}"}).text
    token = token_of_person(settings, ["auditor"])[1] if part == "store" else PEOPLE[settings.database_url]
    page = client.get("/custody", headers={"Authorization": f"Bearer {token}", "Accept": "text/html"}).text
    name = {"store": "object store", "database": "database"}[part]
    if ready.status_code == 200:
        assert f"sightledger_{part}_writable 1.0" in metrics
        assert "both take writes" in page
        return "takes writes"
    assert f"Takes no writes: the {name}." in problem_of(ready, 503)["detail"]
    assert f"sightledger_{part}_writable 0.0" in metrics
    assert f"The {name} takes no writes." in page
    assert "not both take writes" in page
    return "takes no writes"


# Tokens made while the database took writes.
PEOPLE: dict[str, str] = {}


@small_disks
def test_p29_a_database_with_a_full_disk_is_not_ready_and_every_place_says_so(
    service_settings: Settings,
) -> None:
    with small_disk(200) as disk, Postgres(disk / "postgres", settings={"max_wal_size": "64MB"}) as server:
        settings = replace(service_settings, database_url=server.url, log_level="critical")
        migrate(server.url_of(MIGRATIONS))
        PEOPLE[settings.database_url] = token_of_person(settings, ["auditor"])[1]
        with TestClient(create_app(settings)) as client:
            assert told(client, settings, "database") == "takes writes"
            ballast = fill(disk)
            assert told(client, settings, "database") == "takes no writes"
            ballast.unlink()
            assert told(client, settings, "database") == "takes writes"


@small_disks
def test_p29_a_store_with_a_full_disk_is_not_ready_and_every_place_says_so(
    service_settings: Settings,
) -> None:
    with small_disk(300) as disk, ObjectStore(disk / "store") as store:
        settings = with_store(service_settings, store, log_level="critical")
        with TestClient(create_app(settings)) as client:
            assert told(client, settings, "store") == "takes writes"
            ballast = fill(disk)
            assert told(client, settings, "store") == "takes no writes"
            ballast.unlink()
            assert told(client, settings, "store") == "takes writes"
        objects = open_objects(settings)
        assert probes_left(objects) == 0
        objects.close()


def probes_left(objects: Objects) -> int:
    """Versions and markers of probes."""
    found = objects._inner.list_object_versions(Bucket=objects.settings.bucket, Prefix=PREFIX)
    return len(found.get("Versions", [])) + len(found.get("DeleteMarkers", []))


async def test_a_question_is_asked_once_for_all_who_want_to_know_and_again_when_its_answer_is_old(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(writable, "GOOD_FOR_S", 60.0)
    monkeypatch.setattr(writable, "BAD_FOR_S", 10.0)
    at, asked, good = [0.0], [0], [True]

    async def question() -> bool:
        asked[0] += 1
        await asyncio.sleep(0.01)
        return good[0]

    kept = Kept("part", question, lambda: at[0])
    assert await asyncio.gather(*(kept.answer() for _ in range(20))) == [True] * 20
    assert asked == [1]
    at[0], good[0] = 59.0, False
    assert await kept.answer()
    at[0] = 60.0
    assert not await kept.answer()
    at[0], good[0] = 69.0, True
    assert not await kept.answer()
    at[0] = 70.0
    assert await kept.answer()
    assert asked == [3]


async def test_a_question_that_fails_or_hangs_is_answered_with_no(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writable, "ANSWER_WITHIN_S", 0.05)

    async def fails() -> bool:
        raise OSError("no space left on device")

    async def hangs() -> bool:
        await asyncio.sleep(60)
        return True

    assert not await Kept("part", fails).answer()
    assert not await Kept("part", hangs).answer()


pytestmark = pytest.mark.anyio

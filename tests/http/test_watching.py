"""What an operator can watch: figures of the stock that agree with what was done, and drift that is seen."""

from __future__ import annotations

import httpx
import pytest
import sqlalchemy as sa
from msgspec.structs import replace

from service.access.rules import Role
from service.campaigns.actions.drift import drift_of_next
from service.database import Database
from service.settings import Settings
from service.watching import Watch
from tests import factories
from tests.campaigns import steps
from tests.intake.factories import Yard, claim, jpeg
from tests.live_service import Running

pytestmark = pytest.mark.anyio


@pytest.fixture
def settings(service_settings: Settings, fresh_database_url: str) -> Settings:
    """A database with nobody else's figures in it."""
    return replace(service_settings, database_url=fresh_database_url)


async def told(watch: Watch, db: Database) -> dict[str, float]:
    lines = (await watch.text(db)).decode().splitlines()
    return {line.split()[0]: float(line.split()[1]) for line in lines if not line.startswith("#")}


async def test_the_figures_are_those_of_what_was_done(yard: Yard) -> None:
    first = yard.card(("A/1.JPG", jpeg(1), claim(yard.inspection_id)), ("B/2.JPG", jpeg(2), None))
    await first.go_through()
    await yard.card(("A/1.JPG", jpeg(1), claim(yard.inspection_id))).go_through(complete=False)
    await yard.card().open()
    lead = await factories.person(yard.db, Role.SHIFT_LEAD)
    await steps.say(yard.db, lead, yard.inspection_id, "complete", "A")
    found = await told(Watch(), yard.db)
    assert found.pop("sightledger_oldest_open_seconds") > 0
    assert found.pop("sightledger_oldest_reading_seconds") > 0
    assert found == {
        "sightledger_returns_open": 1,
        "sightledger_returns_committed": 2,
        "sightledger_returns_incomplete": 1,
        "sightledger_files": 3,
        "sightledger_images": 2,
        "sightledger_image_bytes": len(jpeg(1)) + len(jpeg(2)),
        "sightledger_not_placed": 1,
        "sightledger_agents": 1,
        "sightledger_agents_silent": 1,
        "sightledger_jobs_waiting": 1,
        "sightledger_jobs_running": 0,
        "sightledger_jobs_failed": 0,
        "sightledger_locations": 3,
        "sightledger_locations_complete": 1,
        "sightledger_locations_complete_short": 1,
        "sightledger_locations_in_conflict": 0,
        "sightledger_inspections_blocked": 0,
        "sightledger_pictures_engineering": 0,
        "sightledger_pictures_second_look": 0,
        "sightledger_pictures_unplaced": 1,
        "sightledger_originals_read_back": 0,
        "sightledger_originals_overdue": 0,
        "sightledger_originals_damaged": 0,
        "sightledger_originals_missing": 0,
        "sightledger_originals_unreadable": 0,
        "sightledger_originals_locked": 0,
        "sightledger_completion_drift": 0,
        "sightledger_completion_recounted": 1,
        "sightledger_protection_lapses": 0,
    }


async def test_i3_a_roll_up_that_differs_from_a_recount_is_seen(yard: Yard) -> None:
    await yard.another_inspection()
    first = await drift_of_next(yard.db, None)
    assert first is not None
    second = await drift_of_next(yard.db, first[0])
    assert second is not None
    assert first[0] != second[0]
    assert (first[1], second[1]) == (0, 0)
    assert await drift_of_next(yard.db, second[0]) == first
    async with yard.db.begin() as connection:
        wrong = "UPDATE completion SET complete = complete + 1 WHERE campaign_id = :it"
        await connection.execute(sa.text(wrong), {"it": first[0]})
    assert await drift_of_next(yard.db, second[0]) == (first[0], 1)
    assert (await told(Watch(), yard.db))["sightledger_completion_drift"] == 1


async def test_without_an_open_campaign_nothing_is_recounted(db: Database) -> None:
    assert await drift_of_next(db, None) is None
    assert (await told(Watch(), db))["sightledger_completion_recounted"] == 0


async def test_without_a_database_there_are_no_figures_and_no_failure() -> None:
    gone = Database("postgresql+psycopg://x:x@127.0.0.1:1/x")
    assert await Watch().text(gone) == b""
    await gone.close()


def test_metrics_hold_them_and_name_no_unit(service: Running) -> None:
    answer: httpx.Response = service.client(service.settings.metrics_token).get("/metrics")
    assert answer.status_code == 200
    assert "\nsightledger_returns_open " in answer.text
    assert "\nsightledger_completion_drift " in answer.text
    assert answer.text.count("# TYPE sightledger_images gauge") == 1

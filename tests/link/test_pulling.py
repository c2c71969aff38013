"""What a workstation asks before it works: little, and everything at once after a long absence."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from datetime import timedelta
from pathlib import Path
from typing import Any

from agent.settings import State
from agent.sync.pull import PullOutcome, pull
from agent.workstation import Workstation
from service.access.rules import Role
from service.campaigns.actions import opening
from service.contract.campaigns import BindingIn
from service.contract.wire import new_id
from service.database import EVERY_SITE, Database, server_now
from service.intake.actions.binding import rebind
from service.settings import Settings
from tests import factories
from tests.agent.station import put
from tests.campaigns import steps
from tests.link.far import Far, enrolled, picture, prepared, push_card
from tests.live_service import execute

# Question and answer "as before", heads and all.
SMALL = 1500


def in_database(url: str, do: Callable[[Database], Coroutine[Any, Any, Any]]) -> Any:
    async def run() -> Any:
        db = Database(url, scope=EVERY_SITE)
        try:
            return await do(db)
        finally:
            await db.close()

    return asyncio.run(run())


def pulled(state: State) -> PullOutcome:
    with Workstation(state) as station, station.service() as service:
        return pull(station.cache, service, station.enrolment.site)


def test_an_unchanged_worklist_costs_less_than_two_packets(far: Far) -> None:
    before = far.to_service.up + far.to_service.down
    outcome = pulled(far.state)
    assert (outcome.changed, outcome.revisions_new, outcome.inspections) == (False, [], 1)
    assert far.to_service.up + far.to_service.down - before < SMALL


def test_a_workstation_that_was_away_for_a_month_catches_up_in_one_pass(
    far: Far, database_url: str, tmp_path: Path
) -> None:
    async def at_first(db: Database) -> tuple[factories.Fleet, list[str], Any]:
        made = await factories.fleet(db)
        serials = await factories.add_units(db, made, 3)
        return made, serials, (await steps.campaign(db, made, serials[:2])).id

    async def a_month(db: Database) -> None:
        """Two revisions more, two campaigns more, one over."""
        for number, label in enumerate("BC"):
            async with db.begin() as connection:
                from_ = server_now() - timedelta(days=20 - number)
                places = [factories.location(key, "XY") for key in "ABCD"[: 3 + number]]
                await factories.add_revision(connection, made, label, places, effective_from=from_)
            await steps.campaign(db, made, serials[number:], name=f"Month {label}")
        await opening.close_campaign(db, await factories.person(db, Role.MANAGER), first)

    made, serials, first = in_database(database_url, at_first)
    state = enrolled(far.service, far.to_service.url, made.site, tmp_path / "away", "away")
    with Workstation(state) as station:
        worklist = station.cache.worklist()
        assert worklist is not None
        assert {one.unit for one in worklist.inspections} == set(serials[:2])
    in_database(database_url, a_month)
    outcome = pulled(state)
    assert sorted(label.split()[1] for label in outcome.revisions_new) == ["B", "C"]
    with Workstation(state) as station:
        worklist = station.cache.worklist()
        assert worklist is not None
        assert sorted((one.unit, one.revision) for one in worklist.inspections) == sorted(
            [(unit, "B") for unit in serials] + [(unit, "C") for unit in serials[1:]]
        )
        assert all(station.cache.plan(one.revision_id) is not None for one in worklist.inspections)
    assert not pulled(state).changed


def test_a_card_prepared_under_an_older_revision_is_taken_and_the_difference_shown(
    far: Far, database_url: str, service_settings: Settings, tmp_path: Path
) -> None:
    async def at_first(db: Database) -> tuple[factories.Fleet, str, Any]:
        made = await factories.fleet(db)
        [serial] = await factories.add_units(db, made, 1)
        opened = await steps.campaign(db, made, [serial])
        return made, serial, (await steps.rows(db, opened.id))[0].id

    async def rebound(db: Database) -> None:
        async with db.begin() as connection:
            places = [factories.location("B", "XY"), factories.location("D", "XY")]
            revision = await factories.add_revision(
                connection, made, "B", places, effective_from=server_now()
            )
        wanted = BindingIn(id=new_id(), revision_id=revision, reason="Revision B adds D")
        await rebind(db, await factories.person(db, Role.SHIFT_LEAD), inspection, wanted)

    made, serial, inspection = in_database(database_url, at_first)
    state, card = (
        enrolled(far.service, far.to_service.url, made.site, tmp_path / "old", "old"),
        tmp_path / "c",
    )
    prepared(state, serial, card)
    in_database(database_url, rebound)
    put(card, "01 A/TWVS0001.JPG", picture(0))
    put(card, "02 B/TWVS0002.JPG", picture(0))
    receipt = push_card(state, card)
    assert len(receipt.files) == 2
    [(remarks, placed)] = execute(
        service_settings,
        "SELECT remarks, (SELECT count(*) FROM sightings WHERE card_return_id = r.id)"
        " FROM card_returns r WHERE id = %s",
        receipt.card_return_id,
    )
    assert "The card was prepared under revision A; the inspection is bound to revision B." in remarks
    assert placed == 2

"""Many writers at once: no deadlock, and the roll-up equals a recount (I3)."""

from __future__ import annotations

import asyncio
import random

import pytest

from service.access.rules import Role
from service.campaigns.actions import opening, reading, stating
from service.campaigns.actions.settling import changing
from service.contract.wire import new_id
from service.database import Database
from service.errors import Conflict
from tests import factories
from tests.campaigns.steps import assert_sound, campaign, rows, say, show_pictures, wanted, words

pytestmark = pytest.mark.anyio


async def test_i3_parallel_statements_on_one_inspection_all_count(db: Database):
    made = await factories.fleet(db)
    opened = await campaign(db, made, await factories.add_units(db, made, 1))
    [row] = await rows(db, opened.id)
    inspector = await factories.person(db, Role.INSPECTOR)
    draw = random.Random(7)
    said = [
        words(row.id, draw.choice(["complete", "reopened"]), "".join(draw.sample("ABC", 2)))
        for _ in range(24)
    ]
    # Each twice: the second is a repetition that races with the first (I8).
    await asyncio.gather(*(stating.make_statement(db, inspector, one) for one in said + said))
    assert len(await reading.list_statements(db, inspector, row.id)) == 24
    await assert_sound(db, opened.id)


async def test_i3_parallel_work_on_many_inspections_of_one_campaign(db: Database):
    made = await factories.fleet(db)
    serials = await factories.add_units(db, made, 4)
    serials += await factories.add_units(db, made, 2, site=made.other_site)
    opened = await campaign(db, made, serials)
    units = [row.id for row in await rows(db, opened.id)]
    inspector, manager = await factories.person(db, Role.INSPECTOR), await factories.person(db, Role.MANAGER)
    draw = random.Random(11)

    async def card() -> None:
        """As intake does it: several inspections of any order in one transaction."""
        mine = draw.sample(units, 3)
        async with db.begin() as connection, changing(connection, mine) as inspections:
            for inspection in mine:
                await show_pictures(connection, inspections[inspection], {"A": 1, "B": 2})
            said = [words(inspection, "complete", "AB") for inspection in reversed(mine)]
            await stating.record_statements(connection, inspector, said, new_id(), inspections)

    async def person() -> None:
        await say(db, inspector, draw.choice(units), draw.choice(["complete", "reopened"]))

    async def planner() -> None:
        await opening.add_units(db, manager, opened.id, await factories.add_units(db, made, 2))

    await asyncio.gather(*([card() for _ in range(12)] + [person() for _ in range(24)]), planner(), planner())
    await assert_sound(db, opened.id)
    assert len(await rows(db, opened.id)) == 10
    held = [
        at.pictures_held
        for key in units
        for at in (await reading.read_inspection(db, inspector, key)).locations
    ]
    assert sum(held) == 12 * 3 * 3


async def test_cards_over_two_campaigns_in_either_order_do_not_block_each_other(db: Database):
    made = await factories.fleet(db)
    one = await campaign(db, made, await factories.add_units(db, made, 2))
    two = await campaign(db, made, await factories.add_units(db, made, 2))
    (a1, a2), (b1, b2) = await rows(db, one.id), await rows(db, two.id)

    async def card(first, second) -> None:
        async with (
            db.begin() as connection,
            changing(connection, [first.id, second.id]) as inspections,
        ):
            await show_pictures(connection, inspections[first.id], {"A": 1})
            await asyncio.sleep(0.01)
            await show_pictures(connection, inspections[second.id], {"A": 1})

    await asyncio.gather(*(card(a1, b1) if n % 2 else card(b2, a2) for n in range(16)))
    await assert_sound(db, one.id)
    await assert_sound(db, two.id)


async def test_i8_the_same_campaign_opened_by_two_requests_at_once_is_one(db: Database):
    made = await factories.fleet(db)
    manager, key = await factories.person(db, Role.MANAGER), new_id()
    body = wanted(made, await factories.add_units(db, made, 5))
    answers = await asyncio.gather(
        *(opening.put_campaign(db, manager, key, body, unchanged=None) for _ in range(6))
    )
    assert all(answer == answers[0] for answer in answers)
    await assert_sound(db, key)


async def test_the_same_units_added_by_many_at_once_count_once(db: Database):
    made = await factories.fleet(db)
    opened = await campaign(db, made, [])
    manager, serials = await factories.person(db, Role.MANAGER), await factories.add_units(db, made, 20)
    lists = [random.Random(n).sample(serials, 12) for n in range(6)]
    await asyncio.gather(*(opening.add_units(db, manager, opened.id, some) for some in lists))
    assert {row.unit for row in await rows(db, opened.id)} == {serial for some in lists for serial in some}
    await assert_sound(db, opened.id)


async def test_a_statement_and_the_closing_of_its_campaign_come_one_after_the_other(db: Database):
    made = await factories.fleet(db)
    opened = await campaign(db, made, await factories.add_units(db, made, 6))
    inspector, manager = await factories.person(db, Role.INSPECTOR), await factories.person(db, Role.MANAGER)
    found = await rows(db, opened.id)
    outcomes = await asyncio.gather(
        *(say(db, inspector, row.id) for row in found[:3]),
        opening.close_campaign(db, manager, opened.id),
        *(say(db, inspector, row.id) for row in found[3:]),
        return_exceptions=True,
    )
    assert all(not isinstance(one, Exception) or isinstance(one, Conflict) for one in outcomes)
    await assert_sound(db, opened.id)

"""Statements that come with a card: older than their arrival, and never turned away for that."""

from __future__ import annotations

from uuid import UUID

import pytest
import sqlalchemy as sa

from service.access.rules import Caller, Role
from service.campaigns import actions
from service.campaigns.actions import opening, reading
from service.contract.campaigns import BindingIn
from service.contract.wire import new_id
from service.contract.work import StatementIn
from service.database import Database, server_now
from service.errors import Invalid, NotAllowed
from service.intake.actions.binding import rebind
from service.intake.store import card_returns
from tests import build
from tests.campaigns.working import assert_sound, campaign, one_inspection, rows, states, words

pytestmark = pytest.mark.anyio


async def record(db: Database, made: build.Fleet, agent: Caller, said: list[StatementIn]) -> UUID:
    key = new_id()
    async with db.begin() as connection:
        await connection.execute(
            sa.insert(card_returns).values(
                id=key,
                site_id=made.sites[made.site],
                agent_id=agent.id,
                profile="test",
                opening={},
                started_at=server_now(),
                opened_at=server_now(),
            )
        )
        await actions.inspection_context(connection, {one.inspection_id for one in said})
        await actions.record_statements(connection, agent, said, key)
    return key


async def test_a_card_that_comes_after_the_closing_is_taken_and_counts(db: Database):
    made = await build.fleet(db)
    opened = await campaign(db, made, await build.add_units(db, made, 2))
    one, two = await rows(db, opened.id)
    manager, agent = await build.person(db, Role.MANAGER), await build.agent(db, made, made.site)
    await opening.close_campaign(db, manager, opened.id)
    said = [
        words(one.id, "complete", "AB", stated_by="K. Brand"),
        words(two.id),
        words(one.id, "complete", "C"),
    ]
    card = await record(db, made, agent, said)
    assert [row.counts.complete for row in await rows(db, opened.id)] == [3, 3]
    history = await reading.list_statements(db, manager, one.id)
    assert {(was.stated_by, was.agent, was.account, was.card_return_id) for was in history} == {
        ("K. Brand", agent.name, None, card),
        (agent.name, agent.name, None, card),
    }
    await assert_sound(db, opened.id)


async def test_i11_a_card_that_speaks_of_what_the_build_no_longer_has_is_taken(db: Database):
    made = await build.fleet(db)
    inspection = await one_inspection(db, made)
    lead, agent = await build.person(db, Role.SHIFT_LEAD), await build.agent(db, made, made.site)
    async with db.begin() as connection:
        revision = await build.add_revision(
            connection,
            made,
            "B",
            [build.location("A", "XY"), build.location("B", "Y")],
            effective_from=server_now(),
        )
    await rebind(db, lead, inspection, BindingIn(id=new_id(), revision_id=revision, reason="Newer"))
    await record(db, made, agent, [words(inspection, "complete", "ABC")])
    found = await reading.read_inspection(db, lead, inspection)
    assert states(found) == {
        "A": "complete",
        "B": "not_applicable",
        "C": "complete",
        "N": "not_applicable",
    }
    assert (found.counts.complete, found.counts.locations, found.counts.inspections_complete) == (1, 1, 1)
    [said] = await reading.list_statements(db, lead, inspection)
    assert said.locations == ["A", "B", "C"]
    await assert_sound(db, found.campaign_id)


async def test_a_card_cannot_authorise_an_omission_or_speak_for_another_site(db: Database):
    made = await build.fleet(db)
    inspection = await one_inspection(db, made)
    agent, elsewhere = (
        await build.agent(db, made, made.site),
        await build.agent(db, made, made.other_site),
    )
    with pytest.raises(NotAllowed, match="agent cannot authorise"):
        await record(db, made, agent, [words(inspection, "omission_authorised", "B", note="no crane")])
    with pytest.raises(NotAllowed):
        await record(db, made, elsewhere, [words(inspection, "complete", "B")])
    with pytest.raises(Invalid):
        await record(db, made, agent, [words(inspection, "complete", "BZ")])
    assert await reading.list_statements(db, agent, inspection) == []


async def test_i8_one_statement_twice_on_a_card_is_one(db: Database):
    made = await build.fleet(db)
    inspection = await one_inspection(db, made)
    agent = await build.agent(db, made, made.site)
    said = words(inspection, "complete", "A")
    await record(db, made, agent, [said, said])
    await record(db, made, agent, [said])
    assert len(await reading.list_statements(db, agent, inspection)) == 1

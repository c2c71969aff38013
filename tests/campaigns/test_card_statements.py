"""Statements that come with a card: older than their arrival, and never turned away for that."""

from __future__ import annotations

from uuid import UUID

import msgspec
import pytest
import sqlalchemy as sa

from service.access.rules import Caller, Role
from service.access.store import change_register
from service.campaigns.actions import opening, reading
from service.campaigns.actions.settling import changing
from service.campaigns.actions.stating import make_statement, record_statements
from service.campaigns.actions.worklist import read_worklist
from service.contract.campaigns import BindingIn
from service.contract.wire import new_id
from service.contract.work import StatementIn
from service.database import Database, server_now
from service.errors import Conflict, Invalid, NotFound, Refusal
from service.intake.actions.binding import rebind
from service.intake.store.tables import card_returns
from tests import factories
from tests.campaigns.steps import assert_sound, campaign, one_inspection, rows, states, words

pytestmark = pytest.mark.anyio


async def record(
    db: Database, made: factories.Fleet, agent: Caller, said: list[StatementIn]
) -> tuple[UUID, dict[UUID, Refusal]]:
    """The statements come with a card; its id, and why which were turned down."""
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
        async with changing(connection, {one.inspection_id for one in said}) as inspections:
            turned = await record_statements(connection, agent, said, key, inspections)
    return key, {one.statement.id: one.refusal for one in turned}


def said_by(
    inspection_id: UUID, kind: str = "complete", on: str | None = None, **more: object
) -> StatementIn:
    return words(inspection_id, kind, on, **({"stated_by": factories.SPEAKER} | more))


async def site_agent(db: Database, made: factories.Fleet, site: str) -> Caller:
    """An agent of a site that has the speaker on its register."""
    await factories.add_people(db, made, site)
    return await factories.agent(db, made, site)


async def test_a_card_that_comes_after_the_closing_is_taken_and_counts(db: Database):
    made = await factories.fleet(db)
    opened = await campaign(db, made, await factories.add_units(db, made, 2))
    one, two = await rows(db, opened.id)
    manager, agent = await factories.person(db, Role.MANAGER), await site_agent(db, made, made.site)
    await opening.close_campaign(db, manager, opened.id)
    said = [
        said_by(one.id, "complete", "AB"),
        said_by(two.id),
        said_by(one.id, "complete", "C"),
    ]
    card, turned = await record(db, made, agent, said)
    assert turned == {}
    assert [row.counts.complete for row in await rows(db, opened.id)] == [3, 3]
    history = await reading.list_statements(db, manager, one.id)
    assert {(was.stated_by, was.agent, was.account, was.card_return_id) for was in history} == {
        (factories.SPEAKER, agent.name, None, card),
    }
    await assert_sound(db, opened.id)


async def test_i11_a_card_that_speaks_of_what_the_build_no_longer_has_is_taken(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    lead, agent = await factories.person(db, Role.SHIFT_LEAD), await site_agent(db, made, made.site)
    async with db.begin() as connection:
        revision = await factories.add_revision(
            connection,
            made,
            "B",
            [factories.location("A", "XY"), factories.location("B", "Y")],
            effective_from=server_now(),
        )
    await rebind(db, lead, inspection, BindingIn(id=new_id(), revision_id=revision, reason="Newer"))
    await record(db, made, agent, [said_by(inspection, "complete", "ABC")])
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


async def test_each_bad_statement_of_a_card_is_turned_down_by_itself_and_the_others_are_taken(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    agent, elsewhere = await site_agent(db, made, made.site), await site_agent(db, made, made.other_site)
    good = said_by(inspection, "complete", "A")
    bad = {
        "agent cannot authorise": said_by(inspection, "omission_authorised", "B", note="no crane"),
        "not a location": said_by(inspection, "complete", "BZ"),
        "not a reason": said_by(inspection, "not_inspected", "C", reason="no time"),
        "no inspection": said_by(new_id(), "complete", "A"),
        "NUL": said_by(inspection, "complete", "C", note="a\0b"),
    }
    _, turned = await record(db, made, agent, [*bad.values(), good])
    assert turned.keys() == {one.id for one in bad.values()}
    for told, statement in bad.items():
        assert told in turned[statement.id].detail, turned[statement.id].detail
    [taken] = await reading.list_statements(db, agent, inspection)
    assert taken.id == good.id
    _, turned = await record(db, made, elsewhere, [said_by(inspection, "complete", "B")])
    assert [type(refusal) for refusal in turned.values()] == [NotFound]
    await assert_sound(db, (await reading.read_inspection(db, agent, inspection)).campaign_id)


async def test_an_agent_speaks_only_in_the_name_of_one_of_the_sites_people(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    agent = await site_agent(db, made, made.site)
    await factories.add_people(db, made, made.other_site, "O. Elsewhere")
    inspector = await factories.person(db, Role.INSPECTOR, at=[made.site])
    auditor = await factories.person(db, Role.AUDITOR, at=[made.site])
    worklist = await read_worklist(db, agent, made.site)
    assert {factories.SPEAKER, inspector.name} <= set(worklist.people)
    assert not {auditor.name, "O. Elsewhere", agent.name} & set(worklist.people)
    names = (None, agent.name, "O. Elsewhere", auditor.name, "k. brand", factories.SPEAKER, inspector.name)
    said = [said_by(inspection, "complete", "A", stated_by=name) for name in names]
    _, turned = await record(db, made, agent, said)
    assert turned.keys() == {one.id for one in said[:5]}
    assert "names nobody" in turned[said[0].id].detail
    assert all("none of the people of site" in turned[one.id].detail for one in said[1:5])
    with pytest.raises(Invalid, match="names nobody"):
        await make_statement(db, agent, words(inspection, "complete", "B"))
    taken = await reading.list_statements(db, agent, inspection)
    assert {(one.stated_by, one.agent) for one in taken} == {(n, agent.name) for n in names[5:]}


async def test_who_has_left_since_the_card_was_read_still_said_it(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    agent, key = await site_agent(db, made, made.site), made.sites[made.site]
    async with db.begin() as connection:
        await change_register(connection, key, (), [factories.SPEAKER])
    assert factories.SPEAKER not in (await read_worklist(db, agent, made.site)).people
    _, turned = await record(db, made, agent, [said_by(inspection, "complete", "A")])
    assert turned == {}


async def test_statements_of_one_breath_that_contradict_each_other_are_both_turned_down(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    other = await one_inspection(db, made)
    agent, blocked = await site_agent(db, made, made.site), "not_inspected_reason:blocked"
    done = said_by(inspection, "complete")
    not_done = said_by(inspection, "not_inspected", "B", reason=blocked)
    elsewhere = said_by(other, "not_inspected", "B", reason=blocked)
    _, turned = await record(db, made, agent, [done, not_done, elsewhere])
    assert turned.keys() == {done.id, not_done.id}
    assert str(not_done.id) in turned[done.id].detail
    assert "not inspected of B" in turned[done.id].detail
    assert str(done.id) in turned[not_done.id].detail
    assert await reading.list_statements(db, agent, inspection) == []
    # One that replaces the other says what holds; both are taken, and only the later stands.
    later = said_by(inspection, "not_inspected", "B", reason=blocked, replaces=[done.id])
    _, turned = await record(db, made, agent, [done, later])
    assert turned == {}
    found = await reading.read_inspection(db, agent, inspection)
    assert states(found) | {"A": "complete", "B": "not_inspected", "C": "complete"} == states(found)


async def test_one_id_with_two_contents_is_turned_down_whole(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    agent = await site_agent(db, made, made.site)
    one = said_by(inspection, "complete", "A")
    other = msgspec.structs.replace(one, locations=["B"])
    _, turned = await record(db, made, agent, [one, other])
    assert turned.keys() == {one.id}
    assert await reading.list_statements(db, agent, inspection) == []


async def test_i8_one_statement_twice_on_a_card_is_one(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    agent = await site_agent(db, made, made.site)
    said = said_by(inspection, "complete", "A")
    assert (await record(db, made, agent, [said, said]))[1] == {}
    assert (await record(db, made, agent, [said]))[1] == {}
    assert len(await reading.list_statements(db, agent, inspection)) == 1
    changed = msgspec.structs.replace(said, locations=["B"])
    _, turned = await record(db, made, agent, [changed, said_by(inspection, "complete", "C")])
    assert [type(refusal) for refusal in turned.values()] == [Conflict]
    assert len(await reading.list_statements(db, agent, inspection)) == 2

"""Statements on a real database: what is accepted, what it makes of the roll-up, what the history shows."""

from __future__ import annotations

import msgspec
import pytest

from service.access.rules import Role
from service.campaigns.actions import opening, reading
from service.campaigns.actions.settling import changing
from service.campaigns.actions.stating import make_statement, record_statements
from service.contract.wire import new_id
from service.database import Database
from service.errors import Conflict, Invalid, NotAllowed, NotFound
from tests import factories
from tests.campaigns.steps import (
    add_pictures,
    assert_sound,
    campaign,
    one_inspection,
    rows,
    say,
    states,
    words,
)

pytestmark = pytest.mark.anyio


async def test_whole_unit_complete_then_one_location_reopened_shows_in_the_history(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    inspector = await factories.person(db, Role.INSPECTOR)
    whole = await say(db, inspector, inspection, "complete")
    assert whole.statement.locations == ["A", "B", "C"]
    assert states(whole.inspection) == {
        "A": "complete",
        "B": "complete",
        "C": "complete",
        "N": "not_applicable",
    }
    assert whole.inspection.counts.inspections_complete == 1

    again = await say(
        db, inspector, inspection, "reopened", "B", replaces=[whole.statement.id], note="oil film"
    )
    assert states(again.inspection) == {
        "A": "complete",
        "B": "reopened",
        "C": "complete",
        "N": "not_applicable",
    }
    assert again.inspection.counts.inspections_complete == 0
    history = await reading.list_statements(db, inspector, inspection)
    assert [(said.kind, said.locations, said.stands_for) for said in history] == [
        ("complete", ["A", "B", "C"], ["A", "C"]),
        ("reopened", ["B"], ["B"]),
    ]
    assert history[1].note == "oil film"
    assert history[1].account == inspector.name
    await assert_sound(db, again.inspection.campaign_id)


async def test_i3_two_shifts_that_both_state_complete_count_once(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    day, night = await factories.agent(db, made, made.site), await factories.agent(db, made, made.site)
    await factories.add_people(db, made, made.site)
    await say(db, day, inspection, "complete", "AB", stated_by=factories.SPEAKER)
    after = await say(db, night, inspection, "complete", "BC", stated_by=factories.SPEAKER)
    counts = after.inspection.counts
    assert (counts.complete, counts.locations, counts.inspections_complete) == (3, 3, 1)
    assert counts.share_complete == 1.0
    [b] = [location for location in after.inspection.locations if location.key == "B"]
    assert len(b.heads) == 2
    await assert_sound(db, after.inspection.campaign_id)


async def test_i4_statements_that_do_not_know_of_each_other_conflict_until_a_person_settles(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    inspector = await factories.person(db, Role.INSPECTOR)
    first = await say(db, inspector, inspection)
    await say(db, inspector, inspection, "complete", "A")
    # The clock of this speaker is years ahead, and it does not win for that.
    split = await say(
        db,
        inspector,
        inspection,
        "reopened",
        "A",
        replaces=[first.statement.id],
        stated_at=factories.LONG_AGO.replace(year=2090),
    )
    assert states(split.inspection)["A"] == "conflict"
    assert split.inspection.counts.conflict == 1
    assert split.inspection.counts.inspections_complete == 0
    [a] = [location for location in split.inspection.locations if location.key == "A"]
    settled = await say(db, inspector, inspection, "complete", "A", replaces=a.heads)
    assert states(settled.inspection)["A"] == "complete"
    assert settled.inspection.counts.inspections_complete == 1
    await assert_sound(db, settled.inspection.campaign_id)


async def test_i8_the_same_statement_again_changes_nothing(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    inspector = await factories.person(db, Role.INSPECTOR)
    said = words(inspection, "complete", None, note="all seen")
    first = await make_statement(db, inspector, said)
    assert await make_statement(db, inspector, said) == first
    assert len(await reading.list_statements(db, inspector, inspection)) == 1


@pytest.mark.parametrize(
    "change",
    [
        {"kind": "reopened"},
        {"locations": ["A"]},
        {"locations": ["A", "B", "C"], "note": "other"},
        {"note": "other"},
        {"replaces": [new_id()]},
        {"stated_by": "somebody else"},
        {"stated_at": factories.LONG_AGO},
    ],
)
async def test_i8_other_content_under_the_same_id_is_refused(db: Database, change):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    inspector = await factories.person(db, Role.INSPECTOR)
    said = words(inspection, "complete", "AB", note="seen")
    await make_statement(db, inspector, said)
    with pytest.raises(Conflict):
        await make_statement(db, inspector, msgspec.structs.replace(said, **change))
    assert len(await reading.list_statements(db, inspector, inspection)) == 1


async def test_i8_an_id_used_for_another_inspection_is_refused(db: Database):
    made = await factories.fleet(db)
    one, two = await one_inspection(db, made), await one_inspection(db, made)
    inspector = await factories.person(db, Role.INSPECTOR)
    said = words(one, "complete", "A")
    await make_statement(db, inspector, said)
    with pytest.raises(Conflict):
        await make_statement(db, inspector, msgspec.structs.replace(said, inspection_id=two))
    with pytest.raises(Conflict):
        await make_statement(db, inspector, msgspec.structs.replace(said, locations=None))
    assert await reading.list_statements(db, inspector, two) == []


async def test_i11_a_location_that_the_build_has_not_is_refused_and_stays_not_applicable(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    inspector = await factories.person(db, Role.INSPECTOR)
    with pytest.raises(Invalid, match="does not exist on this unit's build"):
        await say(db, inspector, inspection, "complete", "AN")
    with pytest.raises(Invalid, match="not a location of this inspection") as refused:
        await say(db, inspector, inspection, "complete", "AZ")
    assert [error.path for error in refused.value.errors] == ["/locations/1"]
    assert await reading.list_statements(db, inspector, inspection) == []
    on_y = await one_inspection(db, made, "Y")
    assert states((await say(db, inspector, on_y, "complete", "N")).inspection)["N"] == "complete"


async def test_i11_the_four_kinds_of_nothing_are_four_states(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    inspector = await factories.person(db, Role.INSPECTOR)
    await say(db, inspector, inspection, "complete", "A")
    after = await say(db, inspector, inspection, "not_inspected", "B", reason="not_inspected_reason:blocked")
    assert states(after.inspection) == {
        "A": "complete",
        "B": "not_inspected",
        "C": "no_statement",
        "N": "not_applicable",
    }


@pytest.mark.parametrize(
    ("kind", "reason"),
    [
        ("not_inspected", None),
        ("not_inspected", "no time"),
        ("not_inspected", "not_inspected_reason:no_such_term"),
        ("not_inspected", "gas_path_condition:deposit"),
        ("complete", "not_inspected_reason:blocked"),
        ("omission_authorised", None),
    ],
)
async def test_a_reason_that_does_not_fit_is_refused(db: Database, kind, reason):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    lead = await factories.person(db, Role.SHIFT_LEAD)
    with pytest.raises(Invalid):
        await say(db, lead, inspection, kind, "B", reason=reason)


async def test_an_omission_needs_a_person_with_the_authority(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    lead, engineer = await factories.person(db, Role.SHIFT_LEAD), await factories.person(db, Role.ENGINEER)
    for caller in (await factories.agent(db, made, made.site), await factories.person(db, Role.INSPECTOR)):
        with pytest.raises(NotAllowed):
            await say(db, caller, inspection, "omission_authorised", "B", note="no crane")
    await say(db, lead, inspection, "omission_authorised", "BC", note="no crane")
    with pytest.raises(NotAllowed, match="mandatory"):
        await say(db, lead, inspection, "omission_authorised", "A", note="no crane")
    after = await say(db, engineer, inspection, "omission_authorised", "A", note="no crane")
    counts = after.inspection.counts
    assert (counts.omitted, counts.complete, counts.inspections_complete) == (3, 0, 1)
    assert (counts.share_complete, counts.share_answered) == (0.0, 1.0)
    await assert_sound(db, after.inspection.campaign_id)


async def test_complete_with_too_few_pictures_is_accepted_and_shown(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    inspector = await factories.person(db, Role.INSPECTOR)
    after = await say(db, inspector, inspection, "complete", "A")
    [a] = [location for location in after.inspection.locations if location.key == "A"]
    assert (a.state, a.pictures_required, a.pictures_held) == ("complete", 2, 0)


async def test_pictures_are_counted_in_and_unknown_keys_passed_over(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    async with db.begin() as connection, changing(connection, [inspection, new_id()]) as inspections:
        context = inspections[inspection]
        assert context.site == made.site
        assert context.keys == {"A", "B", "C", "N"}
    async with db.begin() as connection:
        await add_pictures(connection, inspection, {"A": 3, "B": 1, "ZZ": 9})
        await add_pictures(connection, inspection, {"B": -1, "N": 2})
        await add_pictures(connection, inspection, {})
        await add_pictures(connection, new_id(), {"A": 1})
    reader = await factories.person(db, Role.AUDITOR)
    found = await reading.read_inspection(db, reader, inspection)
    assert {at.key: at.pictures_held for at in found.locations} == {"A": 3, "B": 0, "C": 0, "N": 2}
    assert (found.counts.pictures_held, found.counts.pictures_required) == (3, 6)
    await assert_sound(db, found.campaign_id)


async def test_a_closed_campaign_takes_no_statement_but_a_repeated_one_keeps_its_answer(db: Database):
    made = await factories.fleet(db)
    opened = await campaign(db, made, await factories.add_units(db, made, 1))
    inspection = (await rows(db, opened.id))[0].id
    inspector, manager = await factories.person(db, Role.INSPECTOR), await factories.person(db, Role.MANAGER)
    said = words(inspection, "complete", "A")
    await make_statement(db, inspector, said)
    closed = await opening.close_campaign(db, manager, opened.id)
    assert await opening.close_campaign(db, manager, opened.id) == closed
    with pytest.raises(Conflict, match="closed"):
        await say(db, inspector, inspection, "complete", "B")
    again = await make_statement(db, inspector, said)
    assert again.statement.locations == ["A"]
    assert again.inspection.closed


async def test_words_and_access_of_another_site_are_refused(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    elsewhere = await factories.person(db, Role.INSPECTOR, at=[made.other_site])
    other_agent = await factories.agent(db, made, made.other_site)
    for caller in (elsewhere, other_agent):
        with pytest.raises(NotFound):
            await say(db, caller, inspection)
        with pytest.raises(NotFound):
            await reading.read_inspection(db, caller, inspection)
        with pytest.raises(NotFound):
            await reading.list_statements(db, caller, inspection)
    with pytest.raises(NotAllowed):
        await say(db, await factories.person(db, Role.AUDITOR), inspection)


async def test_an_unknown_inspection_is_not_found(db: Database):
    inspector = await factories.person(db, Role.INSPECTOR)
    with pytest.raises(NotFound):
        await say(db, inspector, new_id())
    with pytest.raises(NotFound):
        await reading.read_inspection(db, inspector, new_id())


async def test_a_refused_statement_of_a_request_leaves_nothing_behind(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    inspector = await factories.person(db, Role.INSPECTOR)
    with pytest.raises(Invalid):
        await say(db, inspector, inspection, "complete", "AZ")
    found = await reading.read_inspection(db, inspector, inspection)
    assert await reading.list_statements(db, inspector, inspection) == []
    assert found.version == 1
    async with db.begin() as connection:
        assert await record_statements(connection, inspector, [], new_id(), {}) == []


async def test_a_location_may_be_named_like_anything_that_is_kept_of_an_inspection(db: Database):
    keys = ("complete", "pictures_unplaced", "revision_id")
    made = await factories.fleet(db, locations=[factories.location(key, ["X"]) for key in keys])
    inspection = await one_inspection(db, made)
    inspector = await factories.person(db, Role.INSPECTOR)
    after = await say(db, inspector, inspection)
    assert states(after.inspection) == dict.fromkeys(keys, "complete")
    assert after.inspection.counts.inspections_complete == 1
    await assert_sound(db, after.inspection.campaign_id)

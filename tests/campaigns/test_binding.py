"""Re-binding on a real database (I10): what comes and goes is shown, what was said stays."""

from __future__ import annotations

import msgspec
import pytest

from service.access.rules import Role
from service.campaigns.actions import binding, opening, reading, stating
from service.contract.campaigns import BindingIn
from service.contract.wire import new_id
from service.database import Database, server_now
from service.errors import Conflict, NotAllowed, NotFound
from service.intake.actions.binding import rebind
from tests import factories
from tests.campaigns.steps import add_pictures, assert_sound, campaign, one_inspection, rows, say, states

pytestmark = pytest.mark.anyio


async def publish_b(db: Database, made: factories.Fleet):
    """Revision B: C goes, D comes, B asks for more pictures, N comes to build X, A2 is A under a new key."""
    async with db.begin() as connection:
        return await factories.add_revision(
            connection,
            made,
            "B",
            [
                factories.location("A2", "XY", pictures=2, mandatory=True, former_key="A", name="Place A"),
                factories.location("B", "XY", pictures=5),
                factories.location("D", "XY", pictures=1),
                factories.location("N", "XY"),
            ],
            effective_from=server_now(),
        )


async def test_i10_an_inspection_keeps_its_revision_until_someone_binds_it_anew(db: Database):
    made = await factories.fleet(db)
    opened = await campaign(db, made, await factories.add_units(db, made, 1))
    [before] = await rows(db, opened.id)
    await publish_b(db, made)
    [still] = await rows(db, opened.id)
    assert (still.revision, still.revision_id) == ("A", before.revision_id)
    manager = await factories.person(db, Role.MANAGER)
    later = await factories.add_units(db, made, 1)
    await opening.add_units(db, manager, opened.id, later)
    assert [row.revision for row in await rows(db, opened.id)] == ["A", "B"]
    await assert_sound(db, opened.id)


async def test_i10_rebinding_shows_what_came_and_went_and_keeps_every_statement(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    lead = await factories.person(db, Role.SHIFT_LEAD)
    await say(db, lead, inspection)
    async with db.begin() as connection:
        await add_pictures(connection, inspection, {"B": 2, "C": 2})
    revision = await publish_b(db, made)
    foreseen = await binding.preview_binding(db, lead, inspection)
    assert (foreseen.came, foreseen.went) == (["A2", "D"], ["A", "C"])
    assert (foreseen.changed, foreseen.renamed) == (["B", "N"], {"A2": "A"})
    assert states(await reading.read_inspection(db, lead, inspection))["C"] == "complete"

    wanted = BindingIn(id=new_id(), revision_id=revision, reason="Revision B adds D")
    answer = await rebind(db, lead, inspection, wanted)
    assert answer.passage == foreseen
    assert (answer.inspection.revision, answer.inspection.counts.inspections_complete) == ("B", 0)
    assert [(at.key, at.bound, at.state) for at in answer.inspection.locations] == [
        ("A2", True, "no_statement"),
        ("B", True, "complete"),
        ("D", True, "no_statement"),
        ("N", True, "no_statement"),
        ("A", False, "complete"),
        ("C", False, "complete"),
    ]
    held = {at.key: (at.pictures_held, at.pictures_required) for at in answer.inspection.locations}
    assert (held["B"], held["C"]) == ((2, 5), (2, 2))
    assert [(made.revision, made.reason) for made in answer.inspection.bindings][1:] == [
        ("B", "Revision B adds D")
    ]
    [said] = await reading.list_statements(db, lead, inspection)
    assert said.locations == ["A", "B", "C"]
    await assert_sound(db, answer.inspection.campaign_id)
    assert await rebind(db, lead, inspection, wanted) == answer


async def test_i8_a_binding_id_stands_for_one_binding(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    lead = await factories.person(db, Role.SHIFT_LEAD)
    wanted = BindingIn(id=new_id(), revision_id=await publish_b(db, made), reason="Newer")
    await rebind(db, lead, inspection, wanted)
    with pytest.raises(Conflict):
        await rebind(db, lead, inspection, msgspec.structs.replace(wanted, reason="Other"))
    other = await one_inspection(db, made)
    with pytest.raises(Conflict):
        await rebind(db, lead, other, wanted)


async def test_i8_a_statement_on_the_whole_unit_repeated_after_rebinding_is_the_same(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    lead = await factories.person(db, Role.SHIFT_LEAD)
    said = (await say(db, lead, inspection)).statement
    revision = await publish_b(db, made)
    wanted = BindingIn(id=new_id(), revision_id=revision, reason="Newer")
    await rebind(db, lead, inspection, wanted)
    again = await say_again(db, lead, inspection, said.id)
    assert again.statement.locations == ["A", "B", "C"]


async def say_again(db, caller, inspection, key):
    from service.contract.work import StatementIn

    said = StatementIn(id=key, inspection_id=inspection, kind="complete", locations=None)
    return await stating.make_statement(db, caller, said)


async def test_binding_is_refused_where_it_does_not_fit(db: Database):
    made = await factories.fleet(db)
    opened = await campaign(db, made, await factories.add_units(db, made, 1))
    [row] = await rows(db, opened.id)
    lead = await factories.person(db, Role.SHIFT_LEAD)
    async with db.begin() as connection:
        draft = await factories.add_revision(
            connection, made, "X", [factories.location("A", "XY")], effective_from=None
        )
    reason = {"reason": "Try"}
    for revision in (draft, new_id(), row.revision_id):
        with pytest.raises(Conflict):
            await rebind(db, lead, row.id, BindingIn(id=new_id(), revision_id=revision, **reason))
    wanted = BindingIn(id=new_id(), revision_id=await publish_b(db, made), **reason)
    for caller in (
        await factories.person(db, Role.INSPECTOR),
        await factories.agent(db, made, made.site),
    ):
        with pytest.raises(NotAllowed):
            await rebind(db, caller, row.id, wanted)
    with pytest.raises(NotFound):
        await rebind(db, await factories.person(db, Role.SHIFT_LEAD, at=[made.other_site]), row.id, wanted)
    await opening.close_campaign(db, await factories.person(db, Role.MANAGER), opened.id)
    with pytest.raises(Conflict, match="closed"):
        await rebind(db, lead, row.id, wanted)
    assert [made.revision for made in (await reading.read_inspection(db, lead, row.id)).bindings] == ["A"]


async def test_a_card_made_out_before_a_rebinding_is_taken_and_what_has_gone_owes_nothing(db: Database):
    made = await factories.fleet(db)
    inspection = await one_inspection(db, made)
    lead = await factories.person(db, Role.SHIFT_LEAD)
    revision = await publish_b(db, made)
    await rebind(db, lead, inspection, BindingIn(id=new_id(), revision_id=revision, reason="Newer"))
    await factories.add_people(db, made, made.site)
    agent = await factories.agent(db, made, made.site)
    after = await say(db, agent, inspection, "complete", "BC", stated_by=factories.SPEAKER)
    assert states(after.inspection)["C"] == "complete"
    assert (after.inspection.counts.complete, after.inspection.counts.locations) == (1, 4)
    await assert_sound(db, after.inspection.campaign_id)

"""Renaming an account changes no past fact: each keeps the name of its day."""

from __future__ import annotations

import msgspec
import pytest

from service.access.rules import Caller, Role
from service.access.store import update_account
from service.campaigns.actions import reading
from service.campaigns.actions.stating import make_statement
from service.contract.campaigns import BindingIn
from service.contract.custody import RetentionIn
from service.contract.plans import RevisionEventIn
from service.contract.records import MoveIn, MoveTarget
from service.contract.wire import new_id
from service.contract.work import StatementIn
from service.custody.actions.retention import put_retention, read_retention
from service.database import server_now
from service.intake.actions.binding import rebind
from service.intake.actions.moves import move_pictures
from service.plans.actions.revisions import create_draft, read_revision
from service.plans.actions.transitions import record_event
from service.plans.document import check_bytes
from service.records.actions.history import unit_history
from service.records.actions.images import read_image
from service.records.actions.moves import moves_of_unit
from service.records.store.history import Wanted
from tests import factories
from tests.intake.factories import Yard, claim, fresh_seed, jpeg

pytestmark = pytest.mark.anyio

NEW_NAME = "Someone Else Entirely"


async def _rename(yard: Yard, person: Caller) -> None:
    async with yard.db.begin() as connection:
        assert person.account_id is not None
        await update_account(connection, person.account_id, name=NEW_NAME)


async def test_i3_statements_bindings_moves_and_placements_keep_the_name_of_their_day(yard: Yard) -> None:
    here = yard.inspection_id
    lead = await factories.person(yard.db, Role.SHIFT_LEAD)
    said = StatementIn(
        id=new_id(), inspection_id=here, kind="complete", locations=["A"], stated_by="A. Person"
    )
    await make_statement(yard.db, lead, said)
    card = yard.card(("A/1.JPG", jpeg(fresh_seed()), claim(here)))
    await card.go_through()
    (item,) = await unit_history(yard.db, lead, yard.serial, Wanted(), None, 5)
    target = MoveTarget(inspection_id=here, location="B")
    move = MoveIn(id=new_id(), reason="wrong folder", to=target, pictures=[item.id])
    moved = await move_pictures(yard.db, lead, move)
    places = [factories.location(key, "XY", mandatory=key == "A") for key in "ABCD"]
    async with yard.db.begin() as connection:
        revision = await factories.add_revision(
            connection, yard.made, "B", places, effective_from=server_now()
        )
    wanted = BindingIn(id=new_id(), revision_id=revision, reason="D came")
    await rebind(yard.db, lead, here, wanted)

    await _rename(yard, lead)
    [statement] = await reading.list_statements(yard.db, lead, here)
    assert (statement.account, statement.agent) == (lead.name, None)
    bindings = (await reading.read_inspection(yard.db, lead, here)).bindings
    assert bindings[-1].by == lead.name
    assert [one.by for one in await moves_of_unit(yard.db, lead, yard.serial, None, 5)] == [lead.name]
    image, _ = await read_image(yard.db, lead, item.digest)
    assert [fact.by for fact in image.sightings[0].placements] == [yard.agent.name, lead.name]
    # The same requests again give the same answers (I8).
    assert await move_pictures(yard.db, lead, move) == moved
    await make_statement(yard.db, lead, said)


async def test_i3_plan_events_authors_and_retention_keep_the_name_of_their_day(yard: Yard) -> None:
    author, approver = (
        await factories.person(yard.db, Role.AUTHOR),
        await factories.person(yard.db, Role.APPROVER),
    )
    places = [factories.location(key, "XY", mandatory=key == "A") for key in "AB"]
    checked = check_bytes(msgspec.json.encode(yard.made.document("N", places)), "plan.json")
    revision_id = new_id()
    made = await create_draft(yard.db, author, revision_id, checked)
    assert made.author == author.name
    submitted = RevisionEventIn(id=new_id(), kind="submitted", replaces=made.heads)
    submitted_revision = await record_event(yard.db, author, revision_id, submitted)
    approved = RevisionEventIn(id=new_id(), kind="approved", replaces=submitted_revision.heads)
    await record_event(yard.db, approver, revision_id, approved)
    admin = await factories.person(yard.db, Role.ADMINISTRATOR)
    await put_retention(yard.db, admin, yard.made.site, RetentionIn(30), lambda _: None)

    for person in (author, approver, admin):
        await _rename(yard, person)
    detail = await read_revision(yard.db, author, revision_id)
    assert detail.author == author.name
    assert [event.by for event in detail.events] == [author.name, approver.name]
    assert (await read_retention(yard.db, admin, yard.made.site)).by == admin.name
    # The same draft again is the same draft, whatever its author is called now.
    assert (await create_draft(yard.db, author, revision_id, checked)).author == author.name

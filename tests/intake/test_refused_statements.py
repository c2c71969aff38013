"""A statement that came with a card and cannot be taken keeps nothing back, and stays open until settled."""

from __future__ import annotations

import asyncio
from uuid import UUID

import msgspec
import pytest

from service.access.rules import Caller, Role
from service.campaigns.actions import reading
from service.contract.cards import RecordedReturn, RefusalSettledIn, RefusedStatement
from service.contract.wire import new_id
from service.contract.work import StatementIn
from service.errors import Conflict, Invalid, NotAllowed, NotFound
from service.intake.actions.refused import settle_refused
from service.intake.actions.returns import list_returns
from tests import factories
from tests.campaigns.steps import words
from tests.intake.factories import (
    CardBack,
    Yard,
    assert_sound,
    claim,
    fresh_seed,
    jpeg,
    receipt_body,
    shown_at,
)

pytestmark = pytest.mark.anyio

BLOCKED = "not_inspected_reason:blocked"


def said(yard: Yard, kind: str = "complete", on: str | None = "A", **more: object) -> StatementIn:
    return words(yard.inspection_id, kind, on, **({"stated_by": factories.SPEAKER} | more))


async def sent_card(yard: Yard) -> CardBack:
    """A card with one picture, all of it in the store and not yet committed."""
    await factories.add_people(yard.db, yard.made, yard.made.site)
    card = yard.card(("A/1.JPG", jpeg(fresh_seed()), claim(yard.inspection_id)))
    await card.upload(await card.send_manifest())
    return card


async def inspector(yard: Yard) -> Caller:
    return await factories.person(yard.db, Role.INSPECTOR, at=[yard.made.site])


async def refused_card(yard: Yard) -> tuple[CardBack, StatementIn, RefusedStatement]:
    card, wrong = await sent_card(yard), said(yard, "not_inspected", "B", reason="no time")
    await card.commit(statements=[wrong])
    [refused] = (await card.recorded()).refused
    return card, wrong, refused


async def test_one_bad_statement_takes_nothing_with_it_and_is_kept_with_its_reason(yard: Yard) -> None:
    card = await sent_card(yard)
    good = said(yard, "complete", "A")
    reason = said(yard, "not_inspected", "B", reason="no time")
    place = said(yard, "complete", ["A", "Z"])  # type: ignore[arg-type]
    nobody = said(yard, "complete", "C", stated_by=None)
    unknown = msgspec.structs.replace(said(yard), inspection_id=new_id())
    receipt = receipt_body(await card.commit(statements=[good, reason, place, nobody, unknown]))
    assert receipt.complete
    assert len(await shown_at(yard.db, yard.inspection_id)) == 1
    [taken] = await reading.list_statements(yard.db, yard.agent, yard.inspection_id)
    assert taken.id == good.id
    recorded = await card.recorded()
    refused = {one.statement.id: one for one in recorded.refused}
    assert refused.keys() == {reason.id, place.id, nobody.id, unknown.id}
    for statement, told in ((reason, "'no time'"), (place, "Z is not"), (nobody, "names nobody")):
        one = refused[statement.id]
        assert one.statement == statement
        assert told in one.why
        assert (one.unit, one.settled) == (yard.serial, None)
        assert one.next_step
    assert refused[unknown.id].unit is None
    await assert_sound(yard)


async def test_i8_a_commit_repeated_after_a_lost_answer_gives_the_same_and_true_reasons(
    yard: Yard,
) -> None:
    card, wrong, good = await sent_card(yard), said(yard, "complete", "Z"), said(yard, "complete", "A")
    answers = await asyncio.gather(*(card.commit(statements=[wrong, good]) for _ in range(3)))
    first = await card.recorded()
    # The inspection changed meanwhile; what was refused was refused for what held then.
    await settle_refused(yard.db, await inspector(yard), card.id, first.refused[0].id, _dismissed())
    assert {await card.commit(statements=[good, wrong]), *answers} == {answers[0]}
    again = await card.recorded()
    assert [(one.id, one.why, one.recorded_at) for one in again.refused] == [
        (one.id, one.why, one.recorded_at) for one in first.refused
    ]
    assert len(await reading.list_statements(yard.db, yard.agent, yard.inspection_id)) == 1
    for other in ([], [good], [wrong], [wrong, good, said(yard, "complete", "B")]):
        with pytest.raises(Conflict, match="other content"):
            await card.commit(statements=other)


async def test_i8_a_statement_that_came_with_another_card_already_is_the_same_on_both(yard: Yard) -> None:
    first, second, good = await sent_card(yard), await sent_card(yard), said(yard)
    await first.commit(statements=[good])
    receipt = await second.commit(statements=[good])
    assert await second.commit(statements=[good]) == receipt
    assert (await second.recorded()).refused == []


async def test_a_statement_about_another_sites_inspection_tells_nothing_of_it(yard: Yard) -> None:
    card, far = await sent_card(yard), await yard.another_inspection(site=yard.made.other_site)
    await card.commit(statements=[msgspec.structs.replace(said(yard), inspection_id=far)])
    [refused] = (await card.recorded()).refused
    assert refused.unit is None
    assert await reading.list_statements(yard.db, await factories.person(yard.db, Role.AUDITOR), far) == []


async def test_what_contradicts_itself_on_one_card_is_refused_as_to_both(yard: Yard) -> None:
    card, whole = await sent_card(yard), said(yard, "complete", None)
    part = said(yard, "not_inspected", "B", reason=BLOCKED)
    await card.commit(statements=[whole, part])
    refused = {one.statement.id: one.why for one in (await card.recorded()).refused}
    assert refused.keys() == {whole.id, part.id}
    assert str(part.id) in refused[whole.id]
    assert str(whole.id) in refused[part.id]
    found = await reading.read_inspection(yard.db, yard.agent, yard.inspection_id)
    assert found.counts.conflict == found.counts.complete == 0


def _dismissed(reason: str = "said by mistake", key: UUID | None = None) -> RefusalSettledIn:
    return RefusalSettledIn(id=key or new_id(), reason=reason)


def _restated(statement: StatementIn) -> RefusalSettledIn:
    return RefusalSettledIn(id=new_id(), reason="it holds", statement=statement)


async def test_a_person_states_it_anew_in_the_name_of_who_said_it(yard: Yard) -> None:
    card, wrong, refused = await refused_card(yard)
    who, corrected = await inspector(yard), said(yard, "not_inspected", "B", reason=BLOCKED)
    order = RefusalSettledIn(id=new_id(), reason="the reason was none of the list", statement=corrected)
    after = await settle_refused(yard.db, who, card.id, refused.id, order)
    assert await settle_refused(yard.db, who, card.id, refused.id, order) == after
    [one] = after.refused
    assert one.settled is not None
    assert (one.settled.statement_id, one.settled.by, one.settled.reason) == (
        corrected.id,
        who.name,
        order.reason,
    )
    assert one.statement == wrong
    [taken] = await reading.list_statements(yard.db, who, yard.inspection_id)
    assert (taken.stated_by, taken.account, taken.agent) == (factories.SPEAKER, who.name, None)
    await assert_sound(yard)


async def test_a_person_dismisses_it_with_a_reason_once(yard: Yard) -> None:
    card, _, refused = await refused_card(yard)
    who = await inspector(yard)
    order = _dismissed()
    after = await settle_refused(yard.db, who, card.id, refused.id, order)
    assert await settle_refused(yard.db, who, card.id, refused.id, order) == after
    [one] = after.refused
    assert one.settled is not None
    assert (one.settled.statement_id, one.settled.by) == (None, who.name)
    restated = _restated(said(yard, "complete", "B"))
    for other in (_dismissed(key=order.id, reason="another"), _dismissed(), restated):
        with pytest.raises(Conflict, match="dismissed it already: said by mistake"):
            await settle_refused(yard.db, await inspector(yard), card.id, refused.id, other)
    assert await reading.list_statements(yard.db, who, yard.inspection_id) == []


async def test_two_people_at_once_settle_it_once(yard: Yard) -> None:
    card, _, refused = await refused_card(yard)
    people = [await inspector(yard) for _ in range(4)]
    orders = [
        RefusalSettledIn(id=new_id(), reason="it holds", statement=said(yard, "complete", "B"))
        for _ in people
    ]
    answers = await asyncio.gather(
        *(
            settle_refused(yard.db, who, card.id, refused.id, order)
            for who, order in zip(people, orders, strict=True)
        ),
        return_exceptions=True,
    )
    done = [answer for answer in answers if isinstance(answer, RecordedReturn)]
    assert len(done) == 1
    assert all(isinstance(answer, Conflict) for answer in answers if answer is not done[0])
    assert len(await reading.list_statements(yard.db, people[0], yard.inspection_id)) == 1


async def test_a_settlement_that_cannot_be_leaves_it_open(yard: Yard) -> None:
    card, _, refused = await refused_card(yard)
    who, wrong = await inspector(yard), said(yard, "complete", "Z")
    order = _restated(wrong)
    with pytest.raises(Invalid, match="not a location"):
        await settle_refused(yard.db, who, card.id, refused.id, order)
    far = await yard.another_inspection(site=yard.made.other_site)
    order = _restated(msgspec.structs.replace(said(yard), inspection_id=far))
    with pytest.raises(NotFound):
        await settle_refused(yard.db, who, card.id, refused.id, order)
    elsewhere = await factories.person(yard.db, Role.INSPECTOR, at=[yard.made.other_site])
    auditor = await factories.person(yard.db, Role.AUDITOR)
    for caller, error in ((yard.agent, NotAllowed), (auditor, NotAllowed), (elsewhere, NotFound)):
        with pytest.raises(error):
            await settle_refused(yard.db, caller, card.id, refused.id, _dismissed())
    other, _, foreign = await refused_card(yard)
    for return_id, refused_id in ((card.id, foreign.id), (card.id, new_id()), (new_id(), refused.id)):
        with pytest.raises(NotFound):
            await settle_refused(yard.db, who, return_id, refused_id, _dismissed())
    for back in (card, other):
        [one] = (await back.recorded()).refused
        assert one.settled is None
    listed = await list_returns(yard.db, who, yard.made.site, None, 10)
    assert [len(row.refused) for row in listed if row.id in (card.id, other.id)] == [1, 1]

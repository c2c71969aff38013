"""Pictures moved to another place: facts with a reason, seen at both ends, undone by a further fact."""

from __future__ import annotations

import asyncio
from uuid import UUID

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.access.rules import Caller, Role
from service.campaigns.store.tables import unit_images
from service.contract.records import Move, MoveIn, MoveTarget
from service.contract.wire import new_id
from service.errors import Conflict, Invalid, NotAllowed, NotFound
from service.intake.actions.moves import move_pictures
from service.intake.actions.returns import list_files
from service.records.actions.history import unit_history
from service.records.actions.images import read_image
from service.records.actions.moves import moves_of_unit
from service.records.store.history import Wanted
from tests import factories
from tests.intake.factories import Yard, assert_sound, claim, jpeg, rows_of, shown_at

pytestmark = pytest.mark.anyio


async def _lead(yard: Yard) -> Caller:
    return await factories.person(yard.db, Role.SHIFT_LEAD, at=[yard.made.site])


def _order(
    to: UUID, key: str | None, pictures: list[UUID], element: int | None = None, **more: object
) -> MoveIn:
    target = MoveTarget(inspection_id=to, location=key, element=element)
    told = {"id": new_id(), "reason": "the folder was the wrong one", "to": target, "pictures": pictures}
    return MoveIn(**told | more)


async def _pictures(yard: Yard, inspection_id: UUID) -> list[UUID]:
    here = sa.select(unit_images.c.id).where(unit_images.c.inspection_id == inspection_id)
    return [row["id"] for row in await rows_of(yard.db, here.order_by(unit_images.c.id))]


async def _serial(yard: Yard, inspection_id: UUID) -> str:
    found = await rows_of(
        yard.db,
        sa.text(
            "SELECT serial FROM units JOIN inspections ON unit_id = units.id WHERE inspections.id = :id"
        ).bindparams(id=inspection_id),
    )
    return str(found[0]["serial"])


async def _card_seen_twice(yard: Yard, seed: int) -> list[str]:
    """Two pictures at A, each seen on two cards; their digests."""
    card = yard.card(
        ("A/1.JPG", jpeg(seed), claim(yard.inspection_id, evaluation="refer", note="nick")),
        ("A/2.JPG", jpeg(seed + 1), claim(yard.inspection_id)),
    )
    await card.go_through()
    again = yard.card_of(card.files, card.bodies.values())
    await again.go_through()
    return [file.sha256 for file in card.files]


async def test_i12_a_move_to_another_unit_is_a_fact_in_both_histories(yard: Yard) -> None:
    first, second = await _card_seen_twice(yard, 5000)
    other = await yard.another_inspection()
    lead = await _lead(yard)
    pictures = await _pictures(yard, yard.inspection_id)
    order = _order(other, "B", pictures, 4)
    moved = await move_pictures(yard.db, lead, order)
    assert await move_pictures(yard.db, lead, order) == moved
    assert await shown_at(yard.db, yard.inspection_id) == {}
    assert await shown_at(yard.db, other) == {("B", 4, first): 2, ("B", 4, second): 2}
    await assert_sound(yard)
    to_serial = await _serial(yard, other)
    for serial in (yard.serial, to_serial):
        listed = await moves_of_unit(yard.db, lead, serial, None, 10)
        assert [(one.id, one.reason, one.by) for one in listed] == [(order.id, order.reason, lead.name)]
        assert {(p.from_unit, p.to_unit, p.from_location, p.to_location) for p in listed[0].pictures} == {
            (yard.serial, to_serial, "A", "B")
        }
    items = await unit_history(yard.db, lead, to_serial, Wanted(), None, 10)
    assert {(item.digest, item.moved, item.rule) for item in items} == {
        (first, True, "by_hand"),
        (second, True, "by_hand"),
    }
    assert {item.note for item in items if item.digest == first} == {"nick"}
    image, _ = await read_image(yard.db, lead, first)
    facts = image.sightings[0].placements
    assert [(fact.standing, fact.reason) for fact in facts] == [(False, None), (True, order.reason)]
    assert facts[1].replaces == [facts[0].id]


async def test_i12_a_move_is_undone_by_a_further_fact(yard: Yard) -> None:
    await _card_seen_twice(yard, 5100)
    before = await shown_at(yard.db, yard.inspection_id)
    other = await yard.another_inspection()
    lead = await _lead(yard)
    await move_pictures(yard.db, lead, _order(other, "C", await _pictures(yard, yard.inspection_id)))
    await move_pictures(yard.db, lead, _order(yard.inspection_id, "A", await _pictures(yard, other)))
    assert await shown_at(yard.db, yard.inspection_id) == before
    assert await shown_at(yard.db, other) == {}
    assert len(await moves_of_unit(yard.db, lead, yard.serial, None, 10)) == 2
    await assert_sound(yard)


async def test_a_picture_that_joins_itself_is_counted_once(yard: Yard) -> None:
    body = jpeg(5200)
    card = yard.card(
        ("A/1.JPG", body, claim(yard.inspection_id, "A", element=1)),
        ("A/2.JPG", body, claim(yard.inspection_id, "A", element=2)),
        ("B/3.JPG", body, claim(yard.inspection_id, "B")),
    )
    await card.go_through()
    await assert_sound(yard)
    lead = await _lead(yard)
    await move_pictures(
        yard.db, lead, _order(yard.inspection_id, "A", await _pictures(yard, yard.inspection_id), 1)
    )
    assert await shown_at(yard.db, yard.inspection_id) == {("A", 1, card.files[0].sha256): 3}
    await assert_sound(yard)


async def test_a_file_that_stands_nowhere_is_placed_by_hand(yard: Yard) -> None:
    card = yard.card(("odd.JPG", jpeg(5300), None), inspection_id=None)
    await card.go_through()
    assert (await card.recorded()).not_placed == 1
    loose = (await list_files(yard.db, yard.agent, card.id, -1, 10, True))[0].sighting_id
    lead = await _lead(yard)
    order = _order(yard.inspection_id, "B", [], sightings=[loose])
    moved = await move_pictures(yard.db, lead, order)
    assert [(p.from_unit, p.to_location, p.sightings) for p in moved.pictures] == [(None, "B", 1)]
    assert len(await shown_at(yard.db, yard.inspection_id)) == 1
    await assert_sound(yard)
    with pytest.raises(Invalid, match="stand in a history"):
        await move_pictures(yard.db, lead, _order(yard.inspection_id, "C", [], sightings=[loose]))
    with pytest.raises(NotFound):
        await move_pictures(yard.db, lead, _order(yard.inspection_id, "C", [], sightings=[new_id()]))


async def test_what_cannot_be_moved_is_refused_and_nothing_changes(yard: Yard) -> None:
    await _card_seen_twice(yard, 5400)
    before = await shown_at(yard.db, yard.inspection_id)
    pictures = await _pictures(yard, yard.inspection_id)
    elsewhere = await yard.another_inspection(site=yard.made.other_site)
    lead = await _lead(yard)
    inspector = await factories.person(yard.db, Role.INSPECTOR, at=[yard.made.site])
    done = _order(yard.inspection_id, "B", pictures[:1])
    for caller, order, kind in (
        (inspector, done, NotAllowed),
        (yard.agent, done, NotAllowed),
        (lead, _order(elsewhere, "A", pictures), NotAllowed),
        (lead, _order(new_id(), "A", pictures), NotFound),
        (lead, _order(yard.inspection_id, "Z", pictures), Invalid),
        (lead, _order(yard.inspection_id, None, pictures, 3), Invalid),
        (lead, _order(yard.inspection_id, "B", []), Invalid),
        (lead, _order(yard.inspection_id, "B", [*pictures, new_id()]), Conflict),
    ):
        with pytest.raises(kind):
            await move_pictures(yard.db, caller, order)
    assert await shown_at(yard.db, yard.inspection_id) == before
    await move_pictures(yard.db, lead, done)
    with pytest.raises(Conflict, match="other content"):
        await move_pictures(yard.db, lead, _order(yard.inspection_id, "C", pictures[1:], id=done.id))
    await assert_sound(yard)


async def test_i4_of_two_moves_of_one_picture_at_once_one_is_told_that_it_came_late(yard: Yard) -> None:
    await _card_seen_twice(yard, 5500)
    pictures = await _pictures(yard, yard.inspection_id)
    lead = await _lead(yard)
    answers = await asyncio.gather(
        *(move_pictures(yard.db, lead, _order(yard.inspection_id, key, pictures)) for key in "BC"),
        return_exceptions=True,
    )
    assert sorted(type(answer) for answer in answers if not isinstance(answer, Move)) == [Conflict]
    await assert_sound(yard)


async def test_i8_the_same_move_sent_twice_at_once_answers_the_same(yard: Yard) -> None:
    await _card_seen_twice(yard, 5600)
    order = _order(yard.inspection_id, "B", await _pictures(yard, yard.inspection_id))
    lead = await _lead(yard)
    answers = await asyncio.gather(*(move_pictures(yard.db, lead, order) for _ in range(4)))
    assert answers == [answers[0]] * 4
    await assert_sound(yard)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    steps=st.lists(
        st.tuples(
            st.sampled_from(("", "A", "B", "C")),
            st.integers(0, 2),
            st.booleans(),
            st.sets(st.integers(0, 5), min_size=1),
        ),
        min_size=1,
        max_size=5,
    )
)
async def test_i3_whatever_is_moved_the_pages_and_the_counts_equal_a_recount(
    yard: Yard, steps: list[tuple[str, int, bool, set[int]]]
) -> None:
    if not await _pictures(yard, yard.inspection_id):
        await _card_seen_twice(yard, 5600)
        yard.second = await yard.another_inspection()  # type: ignore[attr-defined]
    second: UUID = yard.second  # type: ignore[attr-defined]
    lead = await _lead(yard)
    for key, element, there, chosen in steps:
        pictures = sorted(await _pictures(yard, yard.inspection_id) + await _pictures(yard, second))
        order = _order(
            second if there else yard.inspection_id,
            key or None,
            [pictures[at % len(pictures)] for at in chosen],
            (element or None) if key else None,
        )
        await move_pictures(yard.db, lead, order)
    await assert_sound(yard)

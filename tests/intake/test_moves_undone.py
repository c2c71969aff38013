"""A move is undone by a further move that brings exactly its pictures back; that one can be undone too."""

from __future__ import annotations

import asyncio
from typing import Any
from uuid import UUID

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.access.rules import Caller, Role
from service.campaigns.store.tables import unit_images
from service.contract.cards import PlacementClaim
from service.contract.records import Move, MoveIn, MoveTarget
from service.contract.wire import new_id
from service.errors import Conflict, Invalid, NotAllowed, NotFound
from service.intake.actions.moves import move_pictures
from service.intake.actions.returns import list_files
from service.records.actions.images import read_image
from service.records.actions.moves import moves_of_unit
from tests import factories
from tests.intake.factories import Yard, assert_sound, claim, jpeg, rows_of, shown_at

pytestmark = pytest.mark.anyio

OPEN = "its slate could not be read whole"


async def _lead(yard: Yard) -> Caller:
    return await factories.person(yard.db, Role.SHIFT_LEAD, at=[yard.made.site])


def _move(to: UUID, key: str | None, pictures: list[UUID], **more: Any) -> MoveIn:
    target = MoveTarget(inspection_id=to, location=key, element=more.pop("element", None))
    return MoveIn(id=new_id(), reason="wrong slate", to=target, pictures=pictures, **more)


def _undo(move: MoveIn | Move | UUID, reason: str = "that was wrong") -> MoveIn:
    return MoveIn(id=new_id(), reason=reason, undoes=move if isinstance(move, UUID) else move.id)


async def _pictures(yard: Yard, *inspections: UUID) -> list[UUID]:
    here = sa.select(unit_images.c.id).where(unit_images.c.inspection_id.in_(inspections))
    return [row["id"] for row in await rows_of(yard.db, here.order_by(unit_images.c.id))]


async def _rows(yard: Yard, *inspections: UUID) -> set[tuple[Any, ...]]:
    """What is shown, in all that a person sees of it."""
    here = sa.select(unit_images).where(unit_images.c.inspection_id.in_(inspections))
    hidden = ("placement_id",)
    return {
        tuple(value for name, value in row.items() if name not in hidden)
        for row in await rows_of(yard.db, here)
    }


async def _card(yard: Yard, seed: int) -> None:
    """Placed, with element and words; open with a reason; the same bytes at two places."""
    twice = jpeg(seed + 3)
    files = [
        ("A/1.JPG", jpeg(seed), claim(yard.inspection_id, element=3, evaluation="refer", note="nick")),
        ("A/2.JPG", jpeg(seed + 1), claim(yard.inspection_id)),
        ("2.JPG", jpeg(seed + 2), _open(yard.inspection_id)),
        ("A/4.JPG", twice, claim(yard.inspection_id)),
        ("B/5.JPG", twice, claim(yard.inspection_id, "B")),
    ]
    card = yard.card(*files)
    await card.go_through()
    assert f"1 file kept but not placed: {OPEN}." in (await card.recorded()).remarks
    await yard.card_of(card.files, card.bodies.values()).go_through()


def _open(inspection_id: UUID) -> PlacementClaim:
    return PlacementClaim(
        inspection_id=inspection_id, location_key=None, rule="slate", confidence=0.0, note=OPEN
    )


async def test_i12_an_undone_move_leaves_everything_as_it_was_and_both_in_both_histories(yard: Yard) -> None:
    await _card(yard, 7000)
    other = await yard.another_inspection()
    lead, second = await _lead(yard), await _lead(yard)
    before = await _rows(yard, yard.inspection_id)
    move = _move(other, "C", await _pictures(yard, yard.inspection_id))
    await move_pictures(yard.db, lead, move)
    assert await shown_at(yard.db, yard.inspection_id) == {}
    assert OPEN not in {row["note"] for row in await rows_of(yard.db, sa.select(unit_images).where(
        unit_images.c.inspection_id == other))}  # fmt: skip
    order = _undo(move)
    undone = await move_pictures(yard.db, second, order)
    assert await move_pictures(yard.db, second, order) == undone
    assert await _rows(yard, yard.inspection_id) == before
    assert await _rows(yard, other) == set()
    await assert_sound(yard)
    serials = {picture.from_unit for picture in undone.pictures} | {p.to_unit for p in undone.pictures}
    assert len(serials) == 2
    for serial in serials:
        assert serial is not None
        listed = await moves_of_unit(yard.db, lead, serial, None, 10)
        assert [(one.id, one.by, one.reason, one.undoes, one.undone_by) for one in listed] == [
            (order.id, second.name, order.reason, move.id, None),
            (move.id, lead.name, move.reason, None, order.id),
        ]
    digest = undone.pictures[0].digest
    image, _ = await read_image(yard.db, lead, digest)
    facts = image.sightings[0].placements
    assert [(fact.standing, fact.reason) for fact in facts] == [
        (False, None), (False, move.reason), (True, order.reason)
    ]  # fmt: skip
    assert (facts[2].rule, facts[2].confidence) == (facts[0].rule, facts[0].confidence)


async def test_an_undoing_is_undone_and_that_again(yard: Yard) -> None:
    await _card(yard, 7100)
    other = await yard.another_inspection()
    lead = await _lead(yard)
    home = await _rows(yard, yard.inspection_id)
    last: MoveIn = _move(other, "B", await _pictures(yard, yard.inspection_id), element=2)
    await move_pictures(yard.db, lead, last)
    away = await _rows(yard, other)
    for expected_home, expected_away in ((home, set()), (set(), away), (home, set())):
        last = _undo(last)
        await move_pictures(yard.db, lead, last)
        assert await _rows(yard, yard.inspection_id) == expected_home
        assert await _rows(yard, other) == expected_away
        await assert_sound(yard)


async def test_only_the_moves_own_pictures_go_back(yard: Yard) -> None:
    """Another picture that came to the same place by another way stays."""
    await _card(yard, 7200)
    lead = await _lead(yard)
    late = yard.card(("C/1.JPG", jpeg(7200), claim(yard.inspection_id, "C")))
    here = sa.select(unit_images.c.id).where(unit_images.c.digest == late.files[0].sha256)
    (picture,) = [row["id"] for row in await rows_of(yard.db, here)]
    others = [other for other in await _pictures(yard, yard.inspection_id) if other != picture]
    first = _move(yard.inspection_id, "C", [picture, others[0]])
    await move_pictures(yard.db, lead, first)
    await move_pictures(yard.db, lead, _move(yard.inspection_id, "C", others[1:]))
    await late.go_through()
    await move_pictures(yard.db, lead, _undo(first))
    await assert_sound(yard)
    shown = await shown_at(yard.db, yard.inspection_id)
    assert shown[("C", 0, late.files[0].sha256)] == 1
    assert {key for key, _, digest in shown if digest == late.files[0].sha256} == {"A", "C"}


async def test_moves_are_undone_one_after_the_other_from_the_last(yard: Yard) -> None:
    await _card(yard, 7700)
    lead = await _lead(yard)
    seen, made = [await _rows(yard, yard.inspection_id)], []
    for key in ("C", "B", "A"):
        made.append(_move(yard.inspection_id, key, await _pictures(yard, yard.inspection_id)))
        await move_pictures(yard.db, lead, made[-1])
        seen.append(await _rows(yard, yard.inspection_id))
    for move, expected in zip(reversed(made), seen[-2::-1], strict=True):
        await move_pictures(yard.db, lead, _undo(move))
        assert await _rows(yard, yard.inspection_id) == expected
    await assert_sound(yard)


async def test_i4_what_was_moved_since_is_not_taken_from_under_a_person(yard: Yard) -> None:
    await _card(yard, 7300)
    lead = await _lead(yard)
    move = _move(yard.inspection_id, "C", await _pictures(yard, yard.inspection_id))
    await move_pictures(yard.db, lead, move)
    (moved, *_) = await _pictures(yard, yard.inspection_id)
    await move_pictures(yard.db, lead, _move(yard.inspection_id, "B", [moved]))
    before = await _rows(yard, yard.inspection_id)
    with pytest.raises(Conflict, match="moved since"):
        await move_pictures(yard.db, lead, _undo(move))
    assert await _rows(yard, yard.inspection_id) == before
    await assert_sound(yard)


async def test_i4_of_two_who_undo_at_once_one_is_told(yard: Yard) -> None:
    await _card(yard, 7400)
    lead = await _lead(yard)
    before = await _rows(yard, yard.inspection_id)
    move = _move(yard.inspection_id, "C", await _pictures(yard, yard.inspection_id))
    await move_pictures(yard.db, lead, move)
    pictures = await _pictures(yard, yard.inspection_id)
    answers = await asyncio.gather(
        move_pictures(yard.db, lead, _undo(move)),
        move_pictures(yard.db, lead, _undo(move)),
        move_pictures(yard.db, lead, _move(yard.inspection_id, "B", pictures)),
        return_exceptions=True,
    )
    assert sorted(type(answer).__name__ for answer in answers) == ["Conflict", "Conflict", "Move"]
    if not isinstance(answers[2], Move):
        assert await _rows(yard, yard.inspection_id) == before
    await assert_sound(yard)


async def test_what_cannot_be_undone_is_refused_and_nothing_changes(yard: Yard) -> None:
    await _card(yard, 7500)
    card = yard.card(("odd.JPG", jpeg(7590), None), inspection_id=None)
    await card.go_through()
    loose = (await list_files(yard.db, yard.agent, card.id, -1, 10, True))[0].sighting_id
    lead = await _lead(yard)
    inspector = await factories.person(yard.db, Role.INSPECTOR, at=[yard.made.site])
    elsewhere = await factories.person(yard.db, Role.SHIFT_LEAD, at=[yard.made.other_site])
    placed = _move(yard.inspection_id, "B", [], sightings=[loose])
    await move_pictures(yard.db, lead, placed)
    move = _move(yard.inspection_id, "C", await _pictures(yard, yard.inspection_id))
    await move_pictures(yard.db, lead, move)
    before = await _rows(yard, yard.inspection_id)
    both = MoveIn(id=new_id(), reason="both", undoes=move.id, pictures=[new_id()])
    for caller, order, kind, words in (
        (inspector, _undo(move), NotAllowed, None),
        (elsewhere, _undo(move), NotAllowed, None),
        (lead, _undo(new_id()), NotFound, "no move"),
        (lead, both, Invalid, "names no pictures"),
        (lead, MoveIn(id=new_id(), reason="nowhere", pictures=[new_id()]), Invalid, "no place"),
        (lead, _undo(placed), Conflict, "moved since"),
    ):
        with pytest.raises(kind, match=words):
            await move_pictures(yard.db, caller, order)
    assert await _rows(yard, yard.inspection_id) == before
    await move_pictures(yard.db, lead, _undo(move))
    with pytest.raises(Conflict, match="stood at no inspection"):
        await move_pictures(yard.db, lead, _undo(placed))
    await assert_sound(yard)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    steps=st.lists(
        st.one_of(
            st.tuples(st.sampled_from(("", "A", "B")), st.booleans(), st.sets(st.integers(0, 5), min_size=1)),
            st.integers(0, 5),
        ),
        min_size=2,
        max_size=6,
    )
)
async def test_i3_moves_and_undoings_in_any_order_leave_what_a_recount_gives(
    yard: Yard, steps: list[tuple[str, bool, set[int]] | int]
) -> None:
    if not await _pictures(yard, yard.inspection_id):
        await _card(yard, 7600)
        yard.second = await yard.another_inspection()  # type: ignore[attr-defined]
    ends: tuple[UUID, UUID] = (yard.inspection_id, yard.second)  # type: ignore[attr-defined]
    lead = await _lead(yard)
    made: list[MoveIn] = []
    for step in steps:
        if isinstance(step, int):
            if not made:
                continue
            before = await _rows(yard, *ends)
            try:
                await move_pictures(yard.db, lead, order := _undo(made[step % len(made)]))
                made.append(order)
            except Conflict:
                assert await _rows(yard, *ends) == before
            continue
        key, there, chosen = step
        pictures = await _pictures(yard, *ends)
        picked = sorted({pictures[at % len(pictures)] for at in chosen})
        made.append(_move(ends[there], key or None, picked))
        await move_pictures(yard.db, lead, made[-1])
    await assert_sound(yard)

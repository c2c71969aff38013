"""What the plan's scale requires of a picture stands beside "complete", wherever the picture goes."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.access.rules import Caller, Role
from service.campaigns.actions import reading
from service.campaigns.store.tables import unit_images
from service.contract.campaigns import BindingIn, Counted
from service.contract.plan_document import EvaluationWord
from service.contract.records import MoveIn, MoveTarget
from service.contract.wire import new_id
from service.database import server_now
from service.intake.actions import binding
from service.intake.actions.moves import move_pictures
from tests import factories
from tests.campaigns.steps import say
from tests.intake.factories import Yard, assert_sound, claim, fresh_seed, jpeg, rows_of

pytestmark = pytest.mark.anyio


async def counts(yard: Yard, inspection_id: UUID | None = None) -> Counted:
    reader = await factories.person(yard.db, Role.AUDITOR)
    return (await reading.read_inspection(yard.db, reader, inspection_id or yard.inspection_id)).counts


def open_in(counted: Counted) -> tuple[int, int, int]:
    return counted.pictures_engineering, counted.pictures_second_look, counted.pictures_unplaced


async def lead(yard: Yard) -> Caller:
    return await factories.person(yard.db, Role.SHIFT_LEAD, at=[yard.made.site])


async def pictures_at(yard: Yard, *inspections: UUID) -> list[UUID]:
    shown = unit_images.c
    here = sa.select(shown.id).where(shown.inspection_id.in_(inspections)).order_by(shown.id)
    return [row["id"] for row in await rows_of(yard.db, here)]


async def move(yard: Yard, who: Caller, pictures: Sequence[UUID], to: UUID, key: str | None) -> UUID:
    target = MoveTarget(inspection_id=to, location=key)
    order = MoveIn(id=new_id(), reason="it belongs there", to=target, pictures=list(pictures))
    await move_pictures(yard.db, who, order)
    return order.id


async def test_five_beyond_limits_and_fifteen_unplaced_stand_beside_complete(yard: Yard) -> None:
    seed = fresh_seed()
    beyond = [(f"A/{n}.JPG", jpeg(seed + n), claim(yard.inspection_id, evaluation="refer")) for n in range(5)]
    loose = [(f"{n}.JPG", jpeg(seed + n), claim(yard.inspection_id, None)) for n in range(5, 20)]
    await yard.card(*beyond, *loose).go_through()
    inspector = await factories.person(yard.db, Role.INSPECTOR)
    await say(yard.db, inspector, yard.inspection_id)
    counted = await counts(yard)
    assert (counted.inspections_complete, counted.inspections_blocked) == (1, 1)
    assert open_in(counted) == (5, 0, 15)
    # Five of two required at A, none of two at B and C: surplus counts nowhere else.
    assert (counted.pictures_held, counted.pictures_required, counted.pictures_required_held) == (5, 6, 2)
    assert counted.share_pictures == pytest.approx(2 / 6)
    assert counted.complete_short == 2
    whole = await reading.read_completion(
        yard.db, inspector, campaign_id=yard.campaign_id, site=None, equipment_type=None
    )
    assert whole.total == counted
    blocked, _ = await reading.list_inspections(
        yard.db, inspector, yard.campaign_id, site=None, state="blocked", after=None, limit=10
    )
    assert [row.id for row in blocked] == [yard.inspection_id]
    await assert_sound(yard)


async def test_a_move_to_no_location_and_back_is_seen_although_no_location_counts_it(yard: Yard) -> None:
    seed = fresh_seed()
    await yard.card(("A/1.JPG", jpeg(seed), claim(yard.inspection_id, "A", evaluation="refer"))).go_through()
    other = await yard.another_inspection()
    who = await lead(yard)
    [picture] = await pictures_at(yard, yard.inspection_id)
    first = await move(yard, who, [picture], yard.inspection_id, None)
    assert open_in(await counts(yard)) == (1, 0, 1)
    await assert_sound(yard)
    [picture] = await pictures_at(yard, yard.inspection_id)
    second = await move(yard, who, [picture], other, None)
    assert open_in(await counts(yard)) == (0, 0, 0)
    assert open_in(await counts(yard, other)) == (1, 0, 1)
    await assert_sound(yard)
    for undone in (second, first):
        order = MoveIn(id=new_id(), reason="it stood right before", undoes=undone)
        await move_pictures(yard.db, who, order)
        await assert_sound(yard)
    assert open_in(await counts(yard)) == (1, 0, 0)


async def _revision_with_scale(yard: Yard, words: list[EvaluationWord]) -> UUID:
    """A further revision, effective now, whose scale is another one."""
    label = new_id().hex[-8:]
    locations = [factories.location(key, "XY", pictures=1) for key in "ABC"]
    async with yard.db.begin() as connection:
        return await factories.add_revision(
            connection, yard.made, label, locations, effective_from=server_now(), scale=words
        )


async def test_i10_a_rebinding_counts_by_the_scale_of_the_revision_that_is_bound(yard: Yard) -> None:
    seed = fresh_seed()
    made = yard.inspection_id
    await yard.card(
        ("A/1.JPG", jpeg(seed), claim(made, evaluation="refer")),
        ("A/2.JPG", jpeg(seed + 1), claim(made, evaluation="nothing_recordable")),
    ).go_through()
    assert open_in(await counts(yard)) == (1, 0, 0)
    revision = await _revision_with_scale(
        yard,
        [EvaluationWord(code="nothing_recordable", word="none", rank=0, requires="nothing")],
    )
    who = await lead(yard)
    await binding.rebind(yard.db, who, made, BindingIn(id=new_id(), revision_id=revision, reason="newer"))
    # The newer scale does not say what "refer" requires: a person has to look.
    assert open_in(await counts(yard)) == (0, 1, 0)
    await assert_sound(yard)


steps = st.lists(
    st.one_of(
        st.tuples(
            st.just("card"),
            st.sampled_from([None, "A", "B", "Z"]),
            st.sampled_from([None, "refer", "nothing_recordable", "odd"]),
            st.integers(0, 3),
        ),
        st.tuples(st.just("move"), st.sampled_from([None, "A", "C"]), st.booleans(), st.integers(0, 9)),
        st.tuples(st.just("say"), st.sampled_from(["complete", "reopened"]), st.none(), st.integers(0, 2)),
    ),
    min_size=1,
    max_size=6,
)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps)
async def test_i3_whatever_comes_moves_and_is_said_the_rollup_equals_a_recount(yard: Yard, steps) -> None:
    if not hasattr(yard, "second"):
        yard.second, yard.seed = await yard.another_inspection(), fresh_seed()  # type: ignore[attr-defined]
    ends, who = (yard.inspection_id, yard.second), await lead(yard)  # type: ignore[attr-defined]
    for kind, where, what, number in steps:
        if kind == "card":
            # Four pictures in all, so that the same bytes come again at other places.
            data = jpeg(yard.seed + number)  # type: ignore[attr-defined]
            await yard.card((f"{number}.JPG", data, claim(ends[0], where, evaluation=what))).go_through()
        elif kind == "move" and (pictures := await pictures_at(yard, *ends)):
            await move(yard, who, [pictures[number % len(pictures)]], ends[what], where)
        elif kind == "say":
            await say(yard.db, who, ends[0], where, "ABC"[number])
    await assert_sound(yard)

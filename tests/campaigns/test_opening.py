"""Campaigns on a real database: opening, adding units, editing, closing, and who sees what."""

from __future__ import annotations

from datetime import date, timedelta

import msgspec
import pytest

from service.access.rules import Role
from service.campaigns.actions import opening, reading
from service.campaigns.rules import share
from service.contract.wire import new_id
from service.database import Database, server_now
from service.errors import Conflict, Invalid, NotAllowed, NotFound, Stale
from tests import factories
from tests.campaigns.steps import assert_sound, campaign, rows, say, wanted

pytestmark = pytest.mark.anyio


def read_at(key, version: int):
    """If-Match with the tag the campaign had at this version."""

    def unchanged(tag: str) -> None:
        if tag != opening.campaign_tag(key, version):
            raise Stale("changed")

    return unchanged


async def test_opening_binds_every_unit_and_counts_what_it_owes(db: Database):
    made = await factories.fleet(db)
    serials = await factories.add_units(db, made, 3)
    serials += await factories.add_units(db, made, 2, site=made.other_site, build="Y")
    opened = await campaign(db, made, serials)
    assert (opened.inspections, opened.inspections_complete, opened.version) == (5, 0, 1)
    found = await rows(db, opened.id)
    assert [row.unit for row in found] == sorted(serials)
    assert {row.revision for row in found} == {"A"}
    reader = await factories.person(db, Role.AUDITOR)
    answer = await reading.read_completion(
        db, reader, campaign_id=opened.id, site=None, equipment_type=made.type_code
    )
    by_site = {row.site: (row.inspections, row.locations, row.not_applicable) for row in answer.rows}
    assert by_site == {made.site: (3, 9, 3), made.other_site: (2, 8, 0)}
    assert (answer.total.locations, answer.total.no_statement) == (17, 17)
    assert answer.total.share_complete == share(0, 17) == 0.0
    await assert_sound(db, opened.id)


async def test_i8_opening_again_gives_the_same_and_other_content_is_refused(db: Database):
    made = await factories.fleet(db)
    serials = await factories.add_units(db, made, 2)
    manager, key, first = await factories.person(db, Role.MANAGER), new_id(), wanted(made, serials)
    opened = await opening.put_campaign(db, manager, key, first, unchanged=None)
    assert await opening.put_campaign(db, manager, key, first, unchanged=None) == opened
    others = [
        {"name": "Another"},
        {"closes": date(2027, 1, 1)},
        {"units": await factories.add_units(db, made, 1)},
    ]
    for other in others:
        with pytest.raises(Conflict):
            await opening.put_campaign(
                db, manager, key, msgspec.structs.replace(first, **other), unchanged=None
            )
    with pytest.raises(Conflict, match="already named"):
        await opening.put_campaign(db, manager, new_id(), first, unchanged=None)
    assert len(await rows(db, key)) == 2


async def test_an_edit_names_the_version_it_was_made_on(db: Database):
    made = await factories.fleet(db)
    manager, key = await factories.person(db, Role.MANAGER), new_id()
    first = wanted(made, [])
    await opening.put_campaign(db, manager, key, first, unchanged=None)
    later = msgspec.structs.replace(first, closes=date(2026, 12, 24))
    edited = await opening.put_campaign(db, manager, key, later, unchanged=read_at(key, 1))
    assert (edited.closes, edited.version) == (date(2026, 12, 24), 2)
    assert await opening.put_campaign(db, manager, key, later, unchanged=read_at(key, 1)) == edited
    with pytest.raises(Stale):
        await opening.put_campaign(db, manager, key, first, unchanged=read_at(key, 1))
    with pytest.raises(NotFound):
        await opening.put_campaign(db, manager, new_id(), wanted(made, []), unchanged=read_at(key, 1))
    taken = await opening.put_campaign(db, manager, new_id(), wanted(made, []), unchanged=None)
    with pytest.raises(Conflict, match="already named"):
        await opening.put_campaign(
            db, manager, key, msgspec.structs.replace(later, name=taken.name), unchanged=read_at(key, 2)
        )


async def test_units_added_later_and_again_count_once(db: Database):
    made = await factories.fleet(db)
    serials = await factories.add_units(db, made, 4)
    manager, opened = await factories.person(db, Role.MANAGER), await campaign(db, made, serials[:1])
    added = await opening.add_units(db, manager, opened.id, serials)
    assert added.inspections == 4
    assert await opening.add_units(db, manager, opened.id, [*serials, *serials]) == added
    await assert_sound(db, opened.id)
    await opening.close_campaign(db, manager, opened.id)
    assert (await opening.add_units(db, manager, opened.id, serials)).inspections == 4
    with pytest.raises(Conflict, match="closed"):
        await opening.add_units(db, manager, opened.id, await factories.add_units(db, made, 1))


async def test_unknown_serials_and_units_of_another_type_add_nothing(db: Database):
    made, other = await factories.fleet(db), await factories.fleet(db)
    manager, key = await factories.person(db, Role.MANAGER), new_id()
    [good], [foreign] = await factories.add_units(db, made, 1), await factories.add_units(db, other, 1)
    with pytest.raises(Invalid) as refused:
        await opening.put_campaign(
            db, manager, key, wanted(made, [good, "typed-free", foreign]), unchanged=None
        )
    assert {error.path for error in refused.value.errors} == {"/units/1", "/units/2"}
    with pytest.raises(NotFound):
        await reading.read_campaign(db, manager, key)


async def test_no_effective_revision_is_a_clear_refusal(db: Database):
    made = await factories.fleet(db)
    soon = await factories.fleet(db, locations=[factories.location("A", "XY")])
    async with db.begin() as connection:
        await factories.add_revision(
            connection,
            soon,
            "B",
            [factories.location("B", "XY")],
            effective_from=server_now() + timedelta(days=9),
        )
    manager = await factories.person(db, Role.MANAGER)
    opened = await campaign(db, soon, await factories.add_units(db, soon, 1))
    assert {row.revision for row in await rows(db, opened.id)} == {"A"}
    await factories.drop_revisions(db, made)
    with pytest.raises(Conflict, match="No revision of plan"):
        await opening.put_campaign(
            db, manager, new_id(), wanted(made, await factories.add_units(db, made, 1)), unchanged=None
        )


async def test_a_build_that_the_plan_has_no_location_for_is_refused(db: Database):
    made = await factories.fleet(db, locations=[factories.location("A", "X")])
    manager = await factories.person(db, Role.MANAGER)
    units = await factories.add_units(db, made, 1, build="Y")
    with pytest.raises(Conflict, match="no location for build Y"):
        await opening.put_campaign(db, manager, new_id(), wanted(made, units), unchanged=None)


async def test_a_window_that_ends_before_it_begins_and_an_unknown_plan_are_refused(db: Database):
    made = await factories.fleet(db)
    manager = await factories.person(db, Role.MANAGER)
    for bad in ({"closes": date(2026, 8, 31)}, {"plan": "NO-SUCH-PLAN"}):
        with pytest.raises(Invalid):
            await opening.put_campaign(db, manager, new_id(), wanted(made, [], **bad), unchanged=None)


async def test_who_may_run_a_campaign(db: Database):
    made = await factories.fleet(db)
    here, there = (
        await factories.add_units(db, made, 1),
        await factories.add_units(db, made, 1, site=made.other_site),
    )
    local = await factories.person(db, Role.MANAGER, at=[made.site])
    for caller in (await factories.person(db, Role.INSPECTOR), await factories.agent(db, made, made.site)):
        with pytest.raises(NotAllowed):
            await opening.put_campaign(db, caller, new_id(), wanted(made, here), unchanged=None)
    with pytest.raises(Invalid, match=f"There is no unit {there[0]} at your sites"):
        await opening.put_campaign(db, local, new_id(), wanted(made, here + there), unchanged=None)
    own = await opening.put_campaign(db, local, new_id(), wanted(made, here), unchanged=None)
    shared = await campaign(db, made, here + there)
    with pytest.raises(NotAllowed):
        await opening.close_campaign(db, local, shared.id)
    assert (await opening.close_campaign(db, local, own.id)).closed_at is not None


async def test_a_caller_of_one_site_sees_only_that_site(db: Database):
    made = await factories.fleet(db)
    here, there = (
        await factories.add_units(db, made, 2),
        await factories.add_units(db, made, 1, site=made.other_site),
    )
    shared, theirs = await campaign(db, made, here + there), await campaign(db, made, there)
    local = await factories.person(db, Role.INSPECTOR, at=[made.site])
    listed, _ = await reading.list_campaigns(db, local, before=None, limit=100)
    assert [(found.id, found.inspections) for found in listed] == [(shared.id, 2)]
    found, _ = await reading.list_inspections(
        db, local, shared.id, site=None, state=None, after=None, limit=10
    )
    assert [row.unit for row in found] == here
    answer = await reading.read_completion(db, local, campaign_id=None, site=None, equipment_type=None)
    assert {row.site for row in answer.rows} == {made.site}
    with pytest.raises(NotFound):
        await reading.read_campaign(db, local, theirs.id)
    with pytest.raises(NotAllowed):
        await reading.read_completion(db, local, campaign_id=None, site=made.other_site, equipment_type=None)
    with pytest.raises(NotAllowed):
        await reading.list_inspections(
            db, local, shared.id, site=made.other_site, state=None, after=None, limit=10
        )


async def test_pages_of_units_and_campaigns_join_without_gap_or_overlap(db: Database):
    made = await factories.fleet(db)
    serials = await factories.add_units(db, made, 7)
    opened = [await campaign(db, made, serials) for _ in range(3)]
    local = await factories.person(db, Role.INSPECTOR, at=[made.site])
    seen, after = [], None
    while True:
        page, after = await reading.list_inspections(
            db, local, opened[0].id, site=None, state=None, after=after, limit=3
        )
        seen += [row.unit for row in page]
        if after is None:
            break
    assert seen == sorted(serials)
    first, before = await reading.list_campaigns(db, local, before=None, limit=2)
    second, end = await reading.list_campaigns(db, local, before=before, limit=2)
    assert [found.id for found in first + second] == [found.id for found in reversed(opened)]
    assert end is None


async def test_units_can_be_picked_by_state(db: Database):
    made = await factories.fleet(db)
    opened = await campaign(db, made, await factories.add_units(db, made, 3))
    one, two, three = await rows(db, opened.id)
    inspector = await factories.person(db, Role.INSPECTOR)
    await say(db, inspector, one.id)
    await say(db, inspector, two.id, "reopened", "B")

    async def picked(state: str) -> list[str]:
        found, _ = await reading.list_inspections(
            db, inspector, opened.id, site=None, state=state, after=None, limit=10
        )
        return [row.unit for row in found]

    assert await picked("complete") == [one.unit]
    assert await picked("open") == [two.unit, three.unit]
    assert await picked("reopened") == [two.unit]
    assert await picked("conflict") == []

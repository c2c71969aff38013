"""The history of one serial number: order, pages, filters, who sees what."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.access.actions.keeping import AccessLog
from service.access.rules import Role
from service.campaigns.store.tables import unit_images
from service.contract.records import HistoryItem, PositionIn
from service.contract.wire import new_id
from service.errors import NotAllowed, NotFound
from service.intake.actions.returns import list_returns
from service.records.actions.history import unit_history
from service.records.actions.images import download, read_image, thumbnail
from service.records.actions.units import move_unit, read_unit
from service.records.store.history import Wanted, history_query
from tests import factories
from tests.intake.factories import STARTED, Yard, claim, file_of, jpeg, rows_of

pytestmark = pytest.mark.anyio


async def _walk(yard: Yard, wanted: Wanted, limit: int) -> list[HistoryItem]:
    """The whole history, page by page."""
    reader = await factories.person(yard.db, Role.AUDITOR)
    items: list[HistoryItem] = []
    after: tuple[datetime, UUID] | None = None
    while True:
        page = await unit_history(yard.db, reader, yard.serial, wanted, after, limit)
        items += page
        if len(page) < limit:
            return items
        after = (page[-1].taken_at, page[-1].id)


async def _varied(yard: Yard, number: int, seed: int) -> None:
    """A history with many equal times, elements, evaluations and conditions."""
    chance = random.Random(seed)
    files, bodies = [], []
    for n in range(number):
        body = jpeg(seed * 1000 + n)
        first = chance.choice([None, 1, 4])
        said = claim(
            yard.inspection_id,
            chance.choice("ABC"),
            element=first,
            element_last=first and chance.choice([None, first + 2]),
            evaluation=chance.choice([None, "refer"]),
            condition=chance.choice([None, "iso15243:5.1"]),
        )
        modified = f"2026-09-0{chance.randrange(1, 5)}T00:00:00"
        files.append(file_of(f"{n}.JPG", body, said, modified=modified))
        bodies.append(body)
    await yard.card_of(files, bodies).go_through()


def _matches(row: dict[str, object], wanted: Wanted) -> bool:
    """The filters once more, in Python."""
    first = row["element"] or 0
    last = row["element_last"] or first
    return (
        (wanted.location is None or row["location_key"] == wanted.location)
        and (wanted.element is None or first <= wanted.element <= last)  # type: ignore[operator]
        and (wanted.condition is None or row["condition"] == wanted.condition)
        and (wanted.evaluation is None or row["evaluation"] == wanted.evaluation)
        and (wanted.since is None or row["taken_at"] >= wanted.since)  # type: ignore[operator]
        and (wanted.until is None or row["taken_at"] < wanted.until)  # type: ignore[operator]
    )


_moments = st.none() | st.integers(0, 5).map(
    lambda day: datetime(2026, 8, 31, 12, tzinfo=UTC) + timedelta(days=day)
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    wanted=st.builds(
        Wanted,
        location=st.none() | st.sampled_from("ABCZ"),
        element=st.none() | st.integers(1, 7),
        condition=st.none() | st.just("iso15243:5.1"),
        evaluation=st.none() | st.just("refer"),
        since=_moments,
        until=_moments,
    ),
    limit=st.integers(1, 60),
)
async def test_pages_of_any_size_under_any_filter_equal_the_full_sort(
    yard: Yard, wanted: Wanted, limit: int
) -> None:
    here = sa.select(unit_images).where(unit_images.c.inspection_id == yard.inspection_id)
    if not await rows_of(yard.db, here):
        await _varied(yard, 50, 61)
    rows = [dict(row) for row in await rows_of(yard.db, here)]
    expected = sorted(
        (row for row in rows if _matches(row, wanted)), key=lambda r: (r["taken_at"], r["id"]), reverse=True
    )
    found = await _walk(yard, wanted, limit)
    assert [item.id for item in found] == [row["id"] for row in expected]


async def test_an_item_says_who_when_with_what_and_against_which_revision(yard: Yard) -> None:
    body = jpeg(62000)
    said = claim(yard.inspection_id, "A", element=3, element_last=5, evaluation="refer", note="nick")
    file = file_of("A/1.JPG", body, said)
    assert file.picture is not None
    file.picture.exif = {"DateTimeOriginal": "2026:09:09 14:30:00", "OffsetTimeOriginal": "+01:00"}
    bound = yard.revision_id
    card = yard.card_of([file], [body], scope="S-17", person="A. Person", shift="night", revision_id=bound)
    receipt = await card.go_through()
    (item,) = await _walk(yard, Wanted(), 10)
    assert (item.digest, item.size, item.kind, item.format) == (file.sha256, len(body), "still", "JPEG")
    assert (item.taken_at, item.taken_basis) == (datetime(2026, 9, 9, 13, 30, tzinfo=UTC), "exif")
    assert (item.person, item.scope, item.shift, item.agent) == (
        "A. Person",
        "S-17",
        "night",
        yard.agent.name,
    )
    assert (item.card_return_id, item.card_id, item.path) == (card.id, None, "A/1.JPG")
    assert (item.plan, item.revision, item.prepared_under) == (yard.made.plan, "A", "A")
    assert (item.inspection_id, item.campaign_id) == (yard.inspection_id, yard.campaign_id)
    assert (item.location, item.element, item.element_last) == ("A", 3, 5)
    assert (item.evaluation, item.condition, item.note, item.rule) == ("refer", None, "nick", "folder")
    assert (item.sightings, item.thumbnail, item.moved) == (1, False, False)
    assert item.clocks.exif == "2026:09:09 14:30:00 +01:00"
    assert (item.clocks.file_system, item.clocks.read_at) == (file.modified, STARTED)
    assert item.clocks.received_at == item.verified_at == receipt.issued_at


async def test_a_campaign_filter_shows_that_campaign_alone(yard: Yard) -> None:
    await yard.card(("A/1.JPG", jpeg(63000), claim(yard.inspection_id))).go_through()
    assert len(await _walk(yard, Wanted(campaign_id=yard.campaign_id), 10)) == 1
    assert await _walk(yard, Wanted(campaign_id=new_id()), 10) == []


async def test_a_site_sees_the_units_it_has_and_what_was_inspected_there(yard: Yard) -> None:
    card = yard.card(("A/1.JPG", jpeg(64000), claim(yard.inspection_id)))
    await card.go_through()
    digest = card.files[0].sha256
    here = await factories.person(yard.db, Role.INSPECTOR, at=[yard.made.site])
    there = await factories.person(yard.db, Role.INSPECTOR, at=[yard.made.other_site])
    assert len(await unit_history(yard.db, here, yard.serial, Wanted(), None, 10)) == 1
    assert (await read_image(yard.db, here, digest))[0].digest == digest
    for read in (
        read_unit(yard.db, there, yard.serial),
        unit_history(yard.db, there, yard.serial, Wanted(), None, 10),
        read_image(yard.db, there, digest),
        download(yard.db, yard.objects, AccessLog(yard.db), there, digest),
        thumbnail(yard.db, yard.objects, there, digest),
    ):
        with pytest.raises(NotFound):
            await read
    await _move_unit(yard, yard.made.other_site)
    for caller in (here, there):
        items = await unit_history(yard.db, caller, yard.serial, Wanted(), None, 10)
        assert [item.digest for item in items] == [digest]
        assert (await read_image(yard.db, caller, digest))[0].digest == digest


async def _move_unit(yard: Yard, site: str) -> None:
    manager = await factories.person(yard.db, Role.MANAGER)
    body = PositionIn(id=new_id(), site=site, since=STARTED.date(), position="Bay 9")
    await move_unit(yard.db, manager, yard.serial, body)


async def test_who_has_no_role_reads_nothing(yard: Yard) -> None:
    nobody = await factories.person(yard.db)
    with pytest.raises(NotAllowed):
        await read_unit(yard.db, nobody, yard.serial)
    with pytest.raises(NotAllowed):
        await list_returns(yard.db, nobody, None, None, 10)


async def test_a_page_is_cut_from_an_index_without_sorting_the_history(yard: Yard) -> None:
    """The planner is told that sorting is dear: if an index gives the order, no sort is left on the page."""
    for wanted, after, index in (
        (Wanted(), None, "ix_unit_images_history"),
        (Wanted(since=STARTED), (STARTED, new_id()), "ix_unit_images_history"),
        (Wanted(location="A"), (STARTED, new_id()), "ix_unit_images_location"),
        (Wanted(location="A", element=3), None, "ix_unit_images_location"),
    ):
        query, values = history_query(wanted, after)
        async with yard.db.begin() as connection:
            await connection.execute(sa.text("SET LOCAL enable_sort = off"))
            await connection.execute(sa.text("SET LOCAL enable_seqscan = off"))
            explained = await connection.scalars(
                sa.text("EXPLAIN " + query), {**values, "unit_id": new_id(), "limit": 100}
            )
            plan = list(explained)
        at = next(n for n, line in enumerate(plan) if "CTE page" in line)
        page = _block(plan, at)
        assert any(f"Index Scan Backward using {index}" in line for line in page), "\n".join(plan)
        assert not any("Sort" in line for line in page)


def _block(plan: Sequence[str], start: int) -> list[str]:
    """The lines of a plan that are indented more deeply than the one at `start`."""
    depth = len(plan[start]) - len(plan[start].lstrip())
    block = []
    for line in plan[start + 1 :]:
        if len(line) - len(line.lstrip()) <= depth:
            break
        block.append(line)
    return block

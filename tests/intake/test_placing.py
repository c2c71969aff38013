"""Where files end up, who may see and send them, and what a card tells of itself."""

from __future__ import annotations

from uuid import UUID

import msgspec
import pytest
import sqlalchemy as sa

from service.access.rules import Caller, Role
from service.campaigns.store.tables import inspection_locations, inspections
from service.contract.cards import CardPrepared
from service.contract.wire import new_id
from service.errors import Conflict, Invalid, NotAllowed, NotFound
from service.intake.actions.cards import prepare_card, read_card
from service.intake.actions.returns import list_files, list_returns, read_return
from service.intake.store.tables import card_returns, cards
from tests import factories
from tests.intake.factories import (
    STARTED,
    CardBack,
    Yard,
    assert_sound,
    claim,
    file_of,
    jpeg,
    rows_of,
    shown_at,
)

pytestmark = pytest.mark.anyio


def _three(yard: Yard, seed: int) -> CardBack:
    """A card with one picture at each of A (element 3), B and, not understood, nowhere."""
    return yard.card(
        ("A/1.JPG", jpeg(seed), claim(yard.inspection_id, "A", element=3, evaluation="refer")),
        ("B/2.JPG", jpeg(seed + 1), claim(yard.inspection_id, "B")),
        ("odd/3.JPG", jpeg(seed + 2), None),
    )


async def test_an_image_known_at_another_site_is_sent_all_the_same_and_stays_out_of_sight(yard: Yard) -> None:
    card = _three(yard, 2700)
    await card.go_through()
    far = await factories.agent(yard.db, yard.made, yard.made.other_site)
    inspection = await yard.another_inspection(site=yard.made.other_site)
    body = jpeg(2700)
    other = yard.card_of(
        [file_of("A/1.JPG", body, claim(inspection))],
        [body],
        site=yard.made.other_site,
        inspection_id=inspection,
    )
    await other.open(far)
    assert await other.upload((await other.put_part(0, agent=far)).lacking) == [200]
    await other.commit(far)
    with pytest.raises(NotFound):
        await read_return(yard.db, far, card.id)
    await assert_sound(yard)


async def test_a_card_or_inspection_of_another_site_is_refused_and_nothing_is_written(yard: Yard) -> None:
    elsewhere = await yard.another_inspection(site=yard.made.other_site)
    far = await factories.agent(yard.db, yard.made, yard.made.other_site)
    prepared = await _prepare(yard, far, yard.made.other_site, elsewhere)
    for opening in ({"card_id": prepared, "inspection_id": None}, {"inspection_id": elsewhere}):
        card = yard.card(("A/1.JPG", jpeg(2800), None), **opening)
        with pytest.raises(Conflict, match="another site"):
            await card.open()
        assert await rows_of(yard.db, sa.select(card_returns).where(card_returns.c.id == card.id)) == []
    foreign = yard.card(("A/1.JPG", jpeg(2800), None), site=yard.made.other_site, inspection_id=None)
    with pytest.raises(NotAllowed):
        await foreign.open()
    mine = yard.card(("A/1.JPG", jpeg(2800), None))
    await mine.open()
    with pytest.raises(NotFound):
        await mine.put_part(0, agent=far)
    with pytest.raises(NotFound):
        await mine.commit(far)


async def _prepare(yard: Yard, agent: Caller, site: str, inspection: UUID, **more: object) -> UUID:
    card_id = new_id()
    await prepare_card(yard.db, agent, card_id, await _prepared(yard, site, inspection, **more))
    return card_id


async def _prepared(yard: Yard, site: str, inspection: UUID, **more: object) -> CardPrepared:
    bound = await rows_of(yard.db, sa.select(inspections.c.revision_id).where(inspections.c.id == inspection))
    told = {
        "site": site,
        "inspection_id": inspection,
        "revision_id": bound[0]["revision_id"],
        "profile": "two-levels",
        "prepared_at": STARTED,
        "folders": 4,
        "scope": "S-17",
    }
    return CardPrepared(**told | more)


async def test_i8_a_card_is_prepared_once_however_often_it_is_told(yard: Yard) -> None:
    card_id = new_id()
    body = await _prepared(yard, yard.made.site, yard.inspection_id)
    told = await prepare_card(yard.db, yard.agent, card_id, body)
    assert await prepare_card(yard.db, yard.agent, card_id, body) == told
    assert await read_card(yard.db, yard.agent, card_id) == told
    with pytest.raises(Conflict):
        await prepare_card(yard.db, yard.agent, card_id, msgspec.structs.replace(body, folders=5))
    for unknown in ("inspection_id", "revision_id"):
        with pytest.raises(Invalid):
            await _prepare(yard, yard.agent, yard.made.site, yard.inspection_id, **{unknown: new_id()})
    assert len(await rows_of(yard.db, sa.select(cards).where(cards.c.id == card_id))) == 1


async def test_i10_a_card_prepared_under_an_older_revision_is_taken_with_a_remark(yard: Yard) -> None:
    async with yard.db.begin() as connection:
        older = await factories.add_revision(connection, yard.made, "OLD", [factories.location("A", "X")])
    card = yard.card(("A/1.JPG", jpeg(2900), claim(yard.inspection_id)), revision_id=older)
    await card.go_through()
    assert any("OLD" in remark and "bound" in remark for remark in (await card.recorded()).remarks)
    assert len(await shown_at(yard.db, yard.inspection_id)) == 1


async def test_claims_that_cannot_be_followed_are_kept_with_a_remark(yard: Yard) -> None:
    elsewhere = await yard.another_inspection(site=yard.made.other_site)
    other_unit = await yard.another_inspection()
    wrong = (new_id(), elsewhere, other_unit)
    card = yard.card(
        *((f"{n}.JPG", jpeg(3000 + n), claim(inspection)) for n, inspection in enumerate(wrong)),
        ("Z/9.JPG", jpeg(3009), claim(yard.inspection_id, "Z", note="at the far end")),
        card_id=new_id(),
    )
    assert len((await card.go_through()).files) == 4
    recorded = await card.recorded()
    assert recorded.not_placed == 4
    for words in ("not known here", "another site", "another unit", "no location Z", "marker"):
        assert any(words in remark for remark in recorded.remarks), words
    assert await shown_at(yard.db, yard.inspection_id) == {("", 0, card.files[3].sha256): 1}
    assert await shown_at(yard.db, elsewhere) == {}
    listed = await list_files(yard.db, yard.agent, card.id, -1, 100, True)
    assert [file.claimed_location for file in listed] == [None, None, None, "Z"]
    await assert_sound(yard)


async def test_i11_pictures_that_cannot_be_looked_at_are_kept_shown_and_not_counted(yard: Yard) -> None:
    broken = {"zero_length": b"", "truncated": jpeg(3100)[:-40], "not_an_image": b"hello"}
    files = [
        file_of(f"A/{mark}.JPG", body, claim(yard.inspection_id), marks=[mark])
        for mark, body in broken.items()
    ]
    card = yard.card_of(files, broken.values())
    assert len((await card.go_through()).files) == 3
    assert len(await shown_at(yard.db, yard.inspection_id)) == 3
    at = inspection_locations.c
    held = await rows_of(yard.db, sa.select(at.pictures_held).where(at.inspection_id == yard.inspection_id))
    assert {row["pictures_held"] for row in held} == {0}
    await assert_sound(yard)


async def test_odd_text_is_kept(yard: Yard) -> None:
    body = jpeg(3200)
    file = file_of("A/\u202eodd \U0001f527.JPG", body, claim(yard.inspection_id, note="nul \0 here"))
    assert file.picture is not None
    file.picture.exif = {"DateTimeOriginal": "2026:09:09 14:30:00", "UserComment": "\0\0"}
    card = yard.card_of([file], [body], scope="S\0")
    await card.go_through()
    listed = await list_files(yard.db, yard.agent, card.id, -1, 10, False)
    assert listed[0].path == file.path
    assert listed[0].clocks.exif == "2026:09:09 14:30:00"


async def test_i9_all_four_clocks_are_kept_as_read(yard: Yard) -> None:
    body = jpeg(3300)
    file = file_of("A/1.JPG", body, claim(yard.inspection_id), modified="1980-01-01T00:00:00")
    assert file.picture is not None
    file.picture.exif = {"DateTimeOriginal": "2099:01:01 00:00:00", "OffsetTimeOriginal": "+02:00"}
    card = yard.card_of([file], [body])
    receipt = await card.go_through()
    clocks = (await list_files(yard.db, yard.agent, card.id, -1, 10, False))[0].clocks
    assert clocks.exif == "2099:01:01 00:00:00 +02:00"
    assert clocks.file_system == "1980-01-01T00:00:00"
    assert clocks.read_at == STARTED
    assert clocks.received_at == receipt.issued_at


async def test_people_read_returns_of_their_sites_and_cannot_write_them(yard: Yard) -> None:
    card = _three(yard, 3400)
    await card.go_through()
    here = await factories.person(yard.db, Role.INSPECTOR, at=[yard.made.site])
    there = await factories.person(yard.db, Role.INSPECTOR, at=[yard.made.other_site])
    assert [one.id for one in await list_returns(yard.db, here, None, None, 10)] == [card.id]
    assert await list_returns(yard.db, there, None, None, 10) == []
    with pytest.raises(NotAllowed):
        await list_returns(yard.db, there, yard.made.site, None, 10)
    with pytest.raises(NotFound):
        await list_files(yard.db, there, card.id, -1, 10, False)
    with pytest.raises(NotAllowed):
        await card.put_part(0, agent=here)
    with pytest.raises(NotAllowed):
        await card.open(here)

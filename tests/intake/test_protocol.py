"""A card comes back: manifest, tickets, upload, commit, receipt; every step repeated and every step wrong."""

from __future__ import annotations

import asyncio
import hashlib

import httpx
import msgspec
import pytest
import sqlalchemy as sa

from service.contract.cards import ManifestPart, Receipt, ReceiptBody, UnreadFile
from service.contract.signature import verify_receipt
from service.contract.wire import new_id
from service.contract.work import StatementIn
from service.errors import Conflict, Invalid, NotFound
from service.intake.actions.commit import ObjectsMissing
from service.intake.actions.returns import read_receipt
from service.intake.store.tables import card_return_parts, receipts, sightings
from tests import factories
from tests.intake.factories import (
    CardBack,
    Yard,
    assert_sound,
    claim,
    file_of,
    images_among,
    jpeg,
    receipt_body,
    rows_of,
    shown_at,
)
from tests.live_service import client_of

pytestmark = pytest.mark.anyio


def _three(yard: Yard, seed: int) -> CardBack:
    """A card with one picture at each of A (element 3), B and, not understood, nowhere."""
    return yard.card(
        ("A/1.JPG", jpeg(seed), claim(yard.inspection_id, "A", element=3, evaluation="refer")),
        ("B/2.JPG", jpeg(seed + 1), claim(yard.inspection_id, "B")),
        ("odd/3.JPG", jpeg(seed + 2), None),
    )


async def test_a_card_comes_back_and_every_file_is_held_shown_and_receipted(yard: Yard) -> None:
    card = _three(yard, 1000)
    receipt = await card.go_through()
    assert receipt.complete
    assert [(file.path, file.sha256, file.size) for file in receipt.files] == [
        (file.path, file.sha256, file.size) for file in card.files
    ]
    recorded = await card.recorded()
    assert (recorded.state, recorded.files, recorded.files_new, recorded.not_placed) == ("committed", 3, 3, 1)
    assert recorded.bytes == recorded.bytes_new == sum(file.size for file in card.files)
    assert recorded.remarks == []
    first, second, third = (file.sha256 for file in card.files)
    assert await shown_at(yard.db, yard.inspection_id) == {
        ("A", 3, first): 1,
        ("B", 0, second): 1,
        ("", 0, third): 1,
    }
    await assert_sound(yard)


async def test_i8_every_step_can_be_repeated_and_gives_the_same_answer(yard: Yard) -> None:
    card = _three(yard, 1100)
    opened = await card.open()
    assert await card.open() == opened
    answer = await card.put_part(0)
    assert {ticket.sha256 for ticket in answer.lacking} == {file.sha256 for file in card.files}
    assert {ticket.sha256 for ticket in (await card.put_part(0)).lacking} == {f.sha256 for f in card.files}
    assert await card.upload(answer.lacking) == [200, 200, 200]
    assert await card.upload(answer.lacking) == [412, 412, 412]
    await factories.add_people(yard.db, yard.made, yard.made.site)
    said = StatementIn(
        id=new_id(),
        inspection_id=yard.inspection_id,
        kind="complete",
        locations=["B"],
        stated_by=factories.SPEAKER,
    )
    receipt = await card.commit(statements=[said])
    assert await card.commit(statements=[said]) == receipt
    assert await read_receipt(yard.db, yard.agent, card.id) == receipt
    assert (await card.put_part(0)).lacking == []
    assert (await card.open()).state == "committed"
    assert (await card.recorded()).files_new == 3
    assert (await card.recorded()).refused == []
    await assert_sound(yard)


async def test_i8_a_part_may_bring_the_opening_and_is_the_same_part_without_it(yard: Yard) -> None:
    card = _three(yard, 1250)
    opening = msgspec.structs.replace(card.parts[0], opening=card.opening)
    answer = await card.put_part(0, opening)
    assert {ticket.sha256 for ticket in answer.lacking} == {file.sha256 for file in card.files}
    assert (await card.open()).state == "open"
    assert len((await card.put_part(0)).lacking) == len((await card.put_part(0, opening)).lacking) == 3
    other = msgspec.structs.replace(card.opening, scope="another scope")
    with pytest.raises(Conflict):
        await card.put_part(0, msgspec.structs.replace(opening, opening=other))
    with pytest.raises(Conflict):
        await card.put_part(0, msgspec.structs.replace(opening, files=card.files[:2]))
    receipt = await card.go_through()
    assert [file.sha256 for file in receipt.files] == [file.sha256 for file in card.files]


async def test_a_return_stays_open_when_the_part_that_opens_it_is_refused(yard: Yard) -> None:
    card = _three(yard, 1260)
    torn = [*card.files, msgspec.structs.replace(card.files[0], path="B/9.JPG", size=1)]
    with pytest.raises(Invalid):
        await card.put_part(0, ManifestPart(files=torn, opening=card.opening))
    assert (await card.recorded()).state == "open"
    await card.go_through()


async def test_i8_other_content_under_the_same_id_is_refused(yard: Yard) -> None:
    card = _three(yard, 1200)
    await card.go_through()
    other = _three(yard, 1300)
    other.id = card.id
    other.opening = msgspec.structs.replace(card.opening, scope="another scope")
    with pytest.raises(Conflict):
        await other.open()
    with pytest.raises(Conflict):
        await other.put_part(0)
    with pytest.raises(Conflict):
        await card.put_part(1, ManifestPart(files=[file_of("new.JPG", jpeg(1399))]))
    for change in (
        {"complete": False},
        {"manifest_sha256": "0" * 64},
        {"unread": [UnreadFile(path="x", why="y")]},
    ):
        with pytest.raises(Conflict):
            await card.commit(**change)
    assert (await card.recorded()).files == 3


async def test_a_repeated_part_asks_only_for_what_did_not_reach_the_store(yard: Yard) -> None:
    card = _three(yard, 1400)
    tickets = await card.send_manifest()
    await card.upload(tickets[:2])
    again = await card.put_part(0)
    assert [ticket.sha256 for ticket in again.lacking] == [tickets[2].sha256]
    assert again.held == 2


async def test_i5_the_object_is_first_and_no_row_is_visible_before_the_commit(yard: Yard) -> None:
    card = _three(yard, 1500)
    tickets = await card.send_manifest()
    await card.upload(tickets)
    digests = [file.sha256 for file in card.files]
    assert await images_among(yard.db, digests) == set()
    assert await rows_of(yard.db, sa.select(sightings).where(sightings.c.card_return_id == card.id)) == []
    with pytest.raises(NotFound, match="not committed"):
        await read_receipt(yard.db, yard.agent, card.id)
    await card.commit()
    assert await images_among(yard.db, digests) == set(digests)


async def test_i5_a_commit_with_objects_missing_names_them_and_writes_nothing(yard: Yard) -> None:
    card = _three(yard, 1600)
    tickets = await card.send_manifest()
    await card.upload(tickets[1:])
    with pytest.raises(ObjectsMissing) as refused:
        await card.commit()
    assert [error.path for error in refused.value.errors] == [tickets[0].sha256]
    assert "Do not wipe" in refused.value.consequence
    assert await images_among(yard.db, [file.sha256 for file in card.files]) == set()
    assert (await card.recorded()).state == "open"
    await card.upload((await card.put_part(0)).lacking)
    assert len(receipt_body(await card.commit()).files) == 3


async def test_i1_the_store_refuses_other_bytes_under_a_digest(yard: Yard) -> None:
    card = _three(yard, 1700)
    ticket = (await card.send_manifest())[0]
    lie = bytes(len(card.bodies[ticket.sha256]))
    async with httpx.AsyncClient(timeout=30) as store:
        answer = await store.put(ticket.url, headers=ticket.headers, content=lie)
    assert answer.status_code == 400
    with pytest.raises(ObjectsMissing):
        await card.commit()


async def test_a_manifest_that_lies_about_a_size_gets_no_receipt(yard: Yard) -> None:
    body = jpeg(1800)
    card = yard.card_of([file_of("A/1.JPG", body, size=len(body) + 1)], [body])
    ticket = (await card.send_manifest())[0]
    headers = {name: value for name, value in ticket.headers.items() if name.lower() != "content-length"}
    async with httpx.AsyncClient(timeout=30) as store:
        await store.put(ticket.url, headers=headers, content=body)
    with pytest.raises(ObjectsMissing):
        await card.commit()
    assert await images_among(yard.db, [card.files[0].sha256]) == set()


async def test_i5_an_object_of_another_size_in_the_store_is_no_image(yard: Yard) -> None:
    card = _three(yard, 1850)
    await card.upload((await card.send_manifest())[1:])
    _damage(yard, card.files[0].sha256)
    with pytest.raises(ObjectsMissing) as refused:
        await card.commit()
    assert [error.path for error in refused.value.errors] == [card.files[0].sha256]
    # The right bytes take its place.
    assert await card.upload((await card.check(0)).lacking) == [200]
    assert len(receipt_body(await card.commit()).files) == 3


def _damage(yard: Yard, digest: str) -> None:
    """Put other bytes under the name of an original, as only who holds the store's keys can."""
    client = client_of(yard.settings)
    client.put_object(Bucket=yard.settings.s3_bucket, Key=yard.original(digest).key, Body=b"not these bytes")
    client.close()


async def test_a_size_that_contradicts_a_held_image_is_refused_at_once(yard: Yard) -> None:
    card = _three(yard, 1900)
    await card.go_through()
    body = jpeg(1900)
    liar = yard.card_of([file_of("A/1.JPG", body, size=1)], [body])
    await liar.open()
    with pytest.raises(Invalid, match="size"):
        await liar.put_part(0)
    assert (
        await rows_of(
            yard.db, sa.select(card_return_parts).where(card_return_parts.c.card_return_id == liar.id)
        )
        == []
    )


async def test_an_expired_ticket_is_refused_by_the_store_and_a_new_one_works(yard: Yard) -> None:
    card = yard.card(("A/1.JPG", jpeg(2000), None))
    kept, yard.settings = yard.settings, msgspec.structs.replace(yard.settings, ticket_seconds=1)
    ticket = (await card.send_manifest())[0]
    yard.settings = kept
    for _ in range(50):
        await asyncio.sleep(0.2)
        async with httpx.AsyncClient(timeout=30) as store:
            late = await store.put(ticket.url, headers=ticket.headers, content=jpeg(1))
        if late.status_code == 403:
            break
    assert late.status_code == 403
    assert await card.upload((await card.put_part(0)).lacking) == [200]


async def test_the_manifest_must_be_whole(yard: Yard) -> None:
    card = _three(yard, 2100)
    card.per_part = 2
    await card.open()
    with pytest.raises(Conflict, match="0 parts"):
        await card.commit()
    await card.upload((await card.put_part(0)).lacking)
    with pytest.raises(Conflict, match="1 parts are held here"):
        await card.commit()
    await card.upload((await card.put_part(1)).lacking)
    with pytest.raises(Conflict, match="digest"):
        await card.commit(manifest_sha256="0" * 64)
    with pytest.raises(Conflict, match="3 files"):
        await card.commit(files=4)
    assert len(receipt_body(await card.commit()).files) == 3


async def test_i6_the_receipt_lists_every_file_and_verifies_with_the_public_key_alone(yard: Yard) -> None:
    twice = jpeg(2200)
    card = yard.card(
        ("A/1.JPG", twice, claim(yard.inspection_id)),
        ("A/copy of 1.JPG", twice, claim(yard.inspection_id)),
        ("notes.txt", b"torque 12", None),
    )
    card.files[2] = msgspec.structs.replace(card.files[2], kind="side", picture=None)
    raw_path = "caf\u00e9.JPG".encode("latin-1")
    card.files[1] = msgspec.structs.replace(card.files[1], path="caf\ufffd.JPG", path_bytes=raw_path)
    await card.upload(await card.send_manifest())
    receipt = msgspec.json.decode(await card.commit(), type=Receipt)
    body = msgspec.json.decode(verify_receipt(receipt, yard.signer.jwks()), type=ReceiptBody)
    assert [(f.path, f.sha256, f.size, f.path_bytes) for f in body.files] == [
        (f.path, f.sha256, f.size, f.path_bytes) for f in card.files
    ]
    assert (body.card_return_id, body.site, body.agent) == (card.id, yard.made.site, yard.agent.name)
    assert body.manifest_sha256 == card.closing().manifest_sha256
    found = await rows_of(
        yard.db,
        sa.select(sightings).where(sightings.c.card_return_id == card.id).order_by(sightings.c.ordinal),
    )
    assert [bytes(row["path_bytes"]) for row in found] == [b"A/1.JPG", raw_path, b"notes.txt"]
    await assert_sound(yard)


async def test_i7_what_could_not_be_read_is_recorded_and_deletes_nothing(yard: Yard) -> None:
    whole = _three(yard, 2300)
    await whole.go_through()
    before = await shown_at(yard.db, yard.inspection_id)
    pulled = yard.card_of(whole.files[:1], [jpeg(2300)])
    unread = [UnreadFile(path="B/2.JPG", why="input/output error")]
    receipt = await pulled.go_through(complete=False, unread=unread)
    assert not receipt.complete
    assert receipt.unread == unread
    recorded = await pulled.recorded()
    assert (recorded.complete, recorded.unread) == (False, unread)
    after = await shown_at(yard.db, yard.inspection_id)
    assert set(after) == set(before)
    assert await images_among(yard.db, [f.sha256 for f in whole.files]) == {f.sha256 for f in whole.files}


async def test_i7_a_shorter_or_empty_card_read_to_its_end_takes_nothing_away(yard: Yard) -> None:
    whole = _three(yard, 2350)
    await whole.go_through()
    before = await shown_at(yard.db, yard.inspection_id)
    for left in (whole.files[:1], []):
        shorter = yard.card_of(left, [jpeg(2350)])
        receipt = await shorter.go_through()
        assert (receipt.complete, len(receipt.files)) == (True, len(left))
        assert set(await shown_at(yard.db, yard.inspection_id)) == set(before)
        await assert_sound(yard)
    assert receipt_body(await whole.commit()).files  # the first receipt stands as it was


async def test_i1_the_same_bytes_again_are_not_sent_again_only_seen_again(yard: Yard) -> None:
    card = _three(yard, 2400)
    await card.go_through()
    again = yard.card_of(
        [
            msgspec.structs.replace(f, path=f"other/{f.path}", modified="2031-01-01T00:00:00")
            for f in card.files
        ],
        [],
    )
    assert await again.send_manifest() == []
    await again.commit()
    recorded = await again.recorded()
    assert (recorded.files, recorded.files_new, recorded.bytes_new) == (3, 0, 0)
    assert set((await shown_at(yard.db, yard.inspection_id)).values()) == {2}
    await assert_sound(yard)


async def test_i1_two_returns_with_the_same_images_at_once_make_one_of_each(yard: Yard) -> None:
    bodies = [jpeg(2500 + n) for n in range(40)]
    cards_back = [
        yard.card(*((f"A/{n}.JPG", body, claim(yard.inspection_id, "A")) for n, body in order))
        for order in (list(enumerate(bodies)), list(reversed(list(enumerate(bodies)))))
    ]
    for card in cards_back:
        assert set(await card.upload(await card.send_manifest())) <= {200, 412}
    await asyncio.gather(*(card.commit() for card in cards_back))
    returns = [await card.recorded() for card in cards_back]
    assert sorted(back.files_new for back in returns) == [0, 40]
    assert set((await shown_at(yard.db, yard.inspection_id)).values()) == {2}
    await assert_sound(yard)


async def test_i1_cards_of_two_units_bring_the_same_images_in_other_parts_at_once(yard: Yard) -> None:
    bodies = [jpeg(70_000 + n) for n in range(30)]
    other = await yard.another_inspection()
    cards_back = [
        yard.card(
            *((f"A/{n}.JPG", body, claim(inspection, "A")) for n, body in order), inspection_id=inspection
        )
        for inspection, order in (
            (yard.inspection_id, list(enumerate(bodies))),
            (other, list(reversed(list(enumerate(bodies))))),
        )
    ]
    for card in cards_back:
        card.per_part = 4
        assert set(await card.upload(await card.send_manifest())) <= {200, 412}
    await asyncio.gather(*(card.commit() for card in cards_back))
    returns = [await card.recorded() for card in cards_back]
    assert sorted(back.files_new for back in returns) == [0, 30]
    await assert_sound(yard)


async def test_i1_an_image_in_several_parts_is_one_image_seen_several_times(yard: Yard) -> None:
    twin, other = jpeg(2800), jpeg(2801)
    card = yard.card(
        ("A/1.JPG", twin, claim(yard.inspection_id)),
        ("A/2.JPG", other, claim(yard.inspection_id)),
        ("A/3.JPG", twin, claim(yard.inspection_id)),
        ("A/4.JPG", twin, claim(yard.inspection_id, "not a location")),
        ("A/5.JPG", twin, claim(yard.inspection_id, "not a location")),
    )
    card.per_part = 1
    assert len((await card.go_through()).files) == 5
    recorded = await card.recorded()
    assert (recorded.files, recorded.files_new, recorded.bytes_new) == (5, 2, len(twin) + len(other))
    assert recorded.not_placed == 2
    assert any(remark.startswith("2 files kept but not placed") for remark in recorded.remarks)
    assert set((await shown_at(yard.db, yard.inspection_id)).values()) == {1, 2}
    found = await rows_of(yard.db, sa.select(sightings).where(sightings.c.card_return_id == card.id))
    assert sorted(row["ordinal"] for row in found) == [0, 1, 2, 3, 4]
    await assert_sound(yard)


async def test_the_same_commit_twice_at_once_gives_one_receipt(yard: Yard) -> None:
    card = _three(yard, 2600)
    await card.upload(await card.send_manifest())
    first, second = await asyncio.gather(card.commit(), card.commit())
    assert first == second
    assert len(await rows_of(yard.db, sa.select(receipts).where(receipts.c.card_return_id == card.id))) == 1
    await assert_sound(yard)


async def test_a_return_of_3000_files(yard: Yard) -> None:
    bodies = [b"side file %d" % n for n in range(3000)]
    keys = "ABC"
    files = [
        file_of(f"{n}.JPG", body, claim(yard.inspection_id, keys[n % 3], element=1 + n % 7))
        for n, body in enumerate(bodies)
    ]
    card = yard.card_of(files, bodies)
    tickets = await card.send_manifest()
    assert len(tickets) == 3000
    await asyncio.gather(*(card.upload(tickets[at::8]) for at in range(8)))
    receipt = receipt_body(await card.commit())
    assert {file.sha256 for file in receipt.files} == {hashlib.sha256(body).hexdigest() for body in bodies}
    assert len(await shown_at(yard.db, yard.inspection_id)) == 3000
    await assert_sound(yard)

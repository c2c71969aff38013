"""Whose card return it is, what it may say, and which of two answers counts."""

from __future__ import annotations

import asyncio

import msgspec
import pytest

from service.contract.cards import LARGE_FROM, ManifestPart, UnreadFile
from service.errors import Invalid
from service.intake.actions.returns import ReturnDiffers
from service.intake.store.returns import insert_part
from tests import factories
from tests.access.operations import held_but_refusals
from tests.intake.factories import CardBack, Yard, claim, file_of, fresh_seed, jpeg, receipt_body
from tests.intake.protocol import large_parts, random_bytes
from tests.live_service import Running, token_for_agent

pytestmark = pytest.mark.anyio

JSON = {"Content-Type": "application/json"}


def _card(yard: Yard, number: int = 2) -> CardBack:
    seed = fresh_seed()
    return yard.card(*((f"A/{n}.JPG", jpeg(seed + n), claim(yard.inspection_id)) for n in range(number)))


async def test_i8_only_the_agent_that_opened_a_return_sends_for_it(service: Running, yard: Yard) -> None:
    card, video = _card(yard), random_bytes(LARGE_FROM + 1)
    card.files.append(file_of("B/1.MP4", video, claim(yard.inspection_id, "B"), kind="video", picture=None))
    await card.open()
    await card.upload((await card.put_part(0)).lacking)
    colleague = await factories.agent(yard.db, yard.made, yard.made.site)
    theirs = service.client(token_for_agent(yard.settings, colleague.id))
    path = f"/api/v1/card-returns/{card.id}"
    closing, part = msgspec.json.encode(card.closing()), msgspec.json.encode(card.parts[0])
    large = msgspec.json.encode(large_parts(video))
    before = held_but_refusals(yard.settings)
    for method, address, body in (
        ("PUT", path, msgspec.json.encode(card.opening)),
        ("PUT", f"{path}/parts/0", part),
        ("PUT", f"{path}/parts/1", msgspec.json.encode(ManifestPart(files=card.files[:1]))),
        ("POST", f"{path}/parts/0/check", b""),
        ("PUT", f"{path}/large/{card.files[2].sha256}", large),
        ("POST", f"{path}/commit", closing),
    ):
        answer = theirs.request(method, address, content=body, headers=JSON)
        assert answer.status_code == 403, (method, address, answer.text)
        assert answer.json()["type"] == "urn:sightledger:problem:return-of-another-agent"
        assert "wipe" in answer.json()["consequence"]
    assert held_but_refusals(yard.settings) == before
    assert theirs.get(path).json()["agent"] == yard.agent.name
    for role in ("auditor", "inspector", "administrator"):
        person = service.client_for([role])
        assert person.get(path).status_code == 200
        assert person.post(f"{path}/commit", content=closing, headers=JSON).status_code == 403


async def test_i8_a_part_that_lost_a_race_is_refused_when_the_other_was_another(yard: Yard) -> None:
    card, others = _card(yard), _card(yard)
    others.id = card.id
    await card.open()
    body = msgspec.json.encode(others.parts[0])
    async with yard.db.begin() as connection:
        row = {"card_return_id": card.id, "part": 0, "files": 2, "body": body, "body_sha256": "0" * 64}
        assert await insert_part(connection, row)
        mine = asyncio.create_task(card.put_part(0))
        twin = asyncio.create_task(others.put_part(0))
        await asyncio.sleep(1)
        assert not mine.done(), "it waits for the other to be through"
    with pytest.raises(ReturnDiffers):
        await mine
    assert {ticket.sha256 for ticket in (await twin).lacking} == {file.sha256 for file in others.files}


async def test_i6_a_manifest_that_contradicts_itself_over_its_parts_gets_no_receipt(yard: Yard) -> None:
    for other in (jpeg(fresh_seed()), None):
        card = _card(yard)
        again = card.files[0] if other is None else file_of(card.files[0].path, other)
        card.files, card.per_part = [*card.files, again], 2
        bodies = dict(card.bodies) | ({} if other is None else {again.sha256: other})
        card.bodies = bodies
        await card.upload(await card.send_manifest())
        with pytest.raises(Invalid, match="more than once") as refused:
            await card.commit()
        assert [error.path for error in refused.value.errors] == [card.files[0].path]
        assert (await card.recorded()).state == "open"


async def test_i6_a_card_with_files_not_read_is_not_complete(yard: Yard) -> None:
    card, unread = _card(yard), [UnreadFile(path="A/9.JPG", why="input/output error")]
    await card.upload(await card.send_manifest())
    with pytest.raises(Invalid, match="read to its end"):
        await card.commit(complete=True, unread=unread)
    assert receipt_body(await card.commit(complete=False, unread=unread)).complete is False

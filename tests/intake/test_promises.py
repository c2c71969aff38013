"""What a reader may see while a card comes in, and what a sender is told when he asks again."""

from __future__ import annotations

import asyncio
import hashlib
import threading
import time
from collections.abc import Sequence

import httpx
import msgspec
import psycopg
import pytest
import sqlalchemy as sa

from service.campaigns.store.tables import inspection_locations
from service.contract.comparing import ImagesHeld
from service.errors import NotFound
from service.intake.actions.commit import ObjectsMissing
from service.objects import Objects
from service.objects.looking import Answer
from tests import factories
from tests.intake.factories import (
    CardBack,
    Yard,
    assert_sound,
    claim,
    fresh_seed,
    images_among,
    jpeg,
    receipt_body,
    rows_of,
    shown_at,
)
from tests.intake.protocol import Sender
from tests.live_service import Running, driver_url, execute, token_of_agent

pytestmark = pytest.mark.anyio


def _card(yard: Yard, number: int, site: str | None = None) -> CardBack:
    seed = fresh_seed()
    more = {} if site is None else {"site": site, "inspection_id": None}
    files = ((f"A/{n}.JPG", jpeg(seed + n), claim(yard.inspection_id)) for n in range(number))
    return yard.card(*files, **more)


class _Reader:
    """Looks all the time for rows that name these digests, and whether the store holds what they name."""

    def __init__(self, yard: Yard, digests: list[str]) -> None:
        self.yard, self.digests = yard, digests
        self.looks, self.seen, self.without_object = 0, set[str](), set[str]()
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._look)

    def _look(self) -> None:
        query = (
            "SELECT digest FROM images WHERE digest = ANY(%(d)s)"
            " UNION SELECT digest FROM sightings WHERE digest = ANY(%(d)s)"
            " UNION SELECT digest FROM unit_images WHERE digest = ANY(%(d)s)"
        )
        objects: Objects = self.yard.objects
        with psycopg.connect(driver_url(self.yard.settings), autocommit=True) as connection:
            while not self._end.is_set():
                new = {row[0] for row in connection.execute(query, {"d": self.digests})} - self.seen
                self.seen |= new
                self.without_object |= {d for d in new if objects._stat(self.yard.original(d).key) is None}
                self.looks += 1

    def __enter__(self) -> _Reader:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        self._thread.join()


async def test_p03_no_row_is_seen_before_its_object_is_verified_however_the_commit_goes(yard: Yard) -> None:
    card = _card(yard, 30)
    digests = [file.sha256 for file in card.files]
    with _Reader(yard, digests) as reader:
        tickets = await card.send_manifest()
        await card.upload(tickets[1:])
        for _ in range(3):
            with pytest.raises(ObjectsMissing):
                await card.commit()
        assert (await card.check(0)).lacking[0].sha256 == tickets[0].sha256
        assert reader.seen == set()
        await card.upload(tickets[:1])
        before = reader.looks
        await asyncio.gather(*(card.commit() for _ in range(3)))
        deadline = time.monotonic() + 20
        while (reader.looks < before + 5 or len(reader.seen) < 30) and time.monotonic() < deadline:
            await asyncio.sleep(0.01)
    assert reader.seen == set(digests)
    assert reader.without_object == set()


async def test_p03_an_object_with_other_bytes_is_named_by_check_and_commit_and_gets_no_row(
    yard: Yard,
) -> None:
    card = _card(yard, 3)
    await card.upload((await card.send_manifest())[1:])
    digest = card.files[0].sha256
    yard.objects._inner.put_object(
        Bucket=yard.settings.s3_bucket, Key=yard.original(digest).key, Body=b"other bytes"
    )
    (ticket,) = (await card.check(0)).lacking
    assert ticket.sha256 == digest
    assert "If-None-Match" not in ticket.headers
    with pytest.raises(ObjectsMissing) as refused:
        await card.commit()
    assert [error.path for error in refused.value.errors] == [digest]
    assert await images_among(yard.db, [file.sha256 for file in card.files]) == set()
    async with httpx.AsyncClient(timeout=30) as store:
        lie = await store.put(ticket.url, headers=ticket.headers, content=bytes(ticket.size))
    assert lie.status_code == 400, "only the right bytes are taken"
    assert await card.upload([ticket]) == [200]
    assert len(receipt_body(await card.commit()).files) == 3
    assert await yard.objects.read(yard.original(digest).key) == card.bodies[digest]


async def test_p03_the_commit_looks_once_at_each_object_and_nobody_looks_before(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = _card(yard, 2)
    await first.go_through()
    card = _card(yard, 6)
    card.files, card.per_part = [*card.files, *first.files], 3
    for number, file in enumerate(card.files):
        card.files[number] = msgspec.structs.replace(file, path=f"B/{number}.JPG")
    looked: list[str] = []
    heads = Objects._heads

    def watched(self: Objects, keys: Sequence[str], concurrency: int) -> list[Answer]:
        looked.extend(key.rpartition("/")[2] for key in keys)
        return heads(self, keys, concurrency)

    monkeypatch.setattr(Objects, "_heads", watched)
    await card.upload(await card.send_manifest())
    assert looked == []
    await card.commit()
    assert sorted(looked) == sorted(file.sha256 for file in card.files), "those held already, too"
    assert (await card.check(2)).held == 2


async def test_a_part_that_was_not_sent_cannot_be_checked(yard: Yard) -> None:
    card = _card(yard, 1)
    await card.open()
    with pytest.raises(NotFound, match="was not sent"):
        await card.check(0)
    await card.put_part(0)
    stranger = await factories.agent(yard.db, yard.made, yard.made.other_site)
    with pytest.raises(NotFound, match="at your sites"):
        await card.check(0, stranger)


async def test_p19_the_same_card_at_two_sites_at_once_is_one_image_and_two_sightings(yard: Yard) -> None:
    here = _card(yard, 12)
    there = CardBack(yard, here.files, here.bodies, msgspec.structs.replace(
        here.opening, site=yard.made.other_site, inspection_id=None
    ))  # fmt: skip
    other = await factories.agent(yard.db, yard.made, yard.made.other_site)
    await asyncio.gather(here.open(), there.open(other))
    mine, theirs = await asyncio.gather(here.put_part(0), there.put_part(0, agent=other))
    statuses = await asyncio.gather(here.upload(mine.lacking), there.upload(theirs.lacking))
    assert statuses == [[200] * 12, [200] * 12], "the store says nothing of the other site's bytes"
    for card, agent in ((here, yard.agent), (there, other)):
        assert (await card.check(0, agent)).held == 12
    receipts = await asyncio.gather(here.commit(), there.commit(other))
    assert [len(receipt_body(receipt).files) for receipt in receipts] == [12, 12]
    digests = [file.sha256 for file in here.files]
    count = "SELECT count(*), count(DISTINCT digest) FROM {} WHERE digest = ANY(%s)"
    assert execute(yard.settings, count.format("images"), digests) == [(12, 12)]
    assert execute(yard.settings, count.format("sightings"), digests) == [(24, 12)]
    for original in (yard.original(d, site) for d in digests for site in yard.made.sites):
        held = await yard.objects.read(original.key)
        assert hashlib.sha256(held).hexdigest() == original.digest
    await assert_sound(yard)


async def test_p19_the_same_card_at_one_site_at_once_is_sent_once(yard: Yard) -> None:
    first = _card(yard, 12)
    second = CardBack(yard, first.files, first.bodies, first.opening)
    other = await factories.agent(yard.db, yard.made, yard.made.site)
    await asyncio.gather(first.open(), second.open(other))
    mine, theirs = await asyncio.gather(first.put_part(0), second.put_part(0, agent=other))
    statuses = await asyncio.gather(first.upload(mine.lacking), second.upload(theirs.lacking))
    assert {status for both in statuses for status in both} <= {200, 409, 412}
    # 412 is "held already": the service looks before it believes; 409 is "ask for tickets again".
    for card, agent in ((first, yard.agent), (second, other)):
        assert set(await card.upload((await card.check(0, agent)).lacking)) <= {200, 412}
        assert (await card.check(0, agent)).held == 12
    receipts = await asyncio.gather(first.commit(), second.commit(other))
    assert [len(receipt_body(receipt).files) for receipt in receipts] == [12, 12]
    listed = yard.objects._inner.list_objects_v2(
        Bucket=yard.settings.s3_bucket, Prefix=f"originals/{yard.made.site}/"
    )
    assert listed["KeyCount"] == 12
    await assert_sound(yard)


async def test_p18_the_same_card_again_gets_no_ticket_and_adds_only_sightings(yard: Yard) -> None:
    first = _card(yard, 5)
    await first.go_through()
    again = CardBack(yard, first.files, {}, first.opening)
    assert await again.send_manifest() == []
    assert (await again.check(0)).held == 5
    await again.commit()
    assert (await again.recorded()).files_new == 0
    assert set((await shown_at(yard.db, yard.inspection_id)).values()) == {2}
    await assert_sound(yard)


async def test_p23_a_commit_whose_answer_was_lost_gives_the_same_bytes_again(
    service: Running, yard: Yard
) -> None:
    card = _card(yard, 4)

    async def nothing() -> None:
        pass

    sender = Sender(card, service.client(token_of_agent(yard.settings, yard.made.site)[1]), nothing)
    sender.open()
    await card.upload(sender.part(0).lacking)
    assert sender.check(0).lacking == []
    # The connection is closed as soon as the request is sent: nobody hears the answer.
    body = msgspec.json.encode(card.closing())
    with pytest.raises(httpx.ReadTimeout):
        sender.client.post(
            f"{sender.path}/commit",
            content=body,
            headers={"Content-Type": "application/json"},
            timeout=httpx.Timeout(10, read=0.001),
        )
    first = sender.commit()
    assert [sender.commit() for _ in range(3)] == [first] * 3
    assert sender.client.get(f"{sender.path}/receipt").content == first
    rows = execute(yard.settings, "SELECT body FROM receipts WHERE card_return_id = %s", card.id)
    assert [bytes(row[0]) for row in rows] == [first]
    assert (await card.recorded()).files == 4


async def test_p05_an_agent_that_lost_its_records_is_told_what_is_held(service: Running, yard: Yard) -> None:
    card, absent = _card(yard, 3), "ab" * 32
    await card.go_through()
    waiting = _card(yard, 1)
    await waiting.upload(await waiting.send_manifest())
    agent = service.client(token_of_agent(yard.settings, yard.made.site)[1])
    asked = [absent, *(file.sha256 for file in card.files), waiting.files[0].sha256, card.files[0].sha256]
    answer = agent.post("/api/v1/images/held", json={"digests": asked})
    assert answer.status_code == 200
    assert msgspec.json.decode(answer.content, type=ImagesHeld).held == [file.sha256 for file in card.files]
    assert agent.post("/api/v1/images/held", json={"digests": []}).json() == {"held": []}
    elsewhere = service.client(token_of_agent(yard.settings, yard.made.other_site)[1])
    assert elsewhere.post("/api/v1/images/held", json={"digests": asked}).json() == {"held": []}
    most = [f"{n:064x}" for n in range(1001)]
    assert agent.post("/api/v1/images/held", json={"digests": most[:1000]}).status_code == 200
    for bad in (most, ["AB" * 32], ["ab"], "x"):
        assert agent.post("/api/v1/images/held", json={"digests": bad}).status_code == 400
    auditor = service.client_for(["auditor"])
    assert auditor.post("/api/v1/images/held", json={"digests": []}).status_code == 403


async def test_slates_are_kept_and_never_counted_as_pictures_of_a_location(yard: Yard) -> None:
    card = _card(yard, 2)
    card.files[0] = msgspec.structs.replace(card.files[0], marks=["slate"])
    await card.go_through()
    at = inspection_locations.c
    query = sa.select(at.pictures_held).where(at.inspection_id == yard.inspection_id, at.location_key == "A")
    held = await rows_of(yard.db, query)
    assert [row["pictures_held"] for row in held] == [1]
    assert len(await shown_at(yard.db, yard.inspection_id)) == 2
    await assert_sound(yard)

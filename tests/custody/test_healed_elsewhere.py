"""The bytes that one site lost and another has or brings: read from there, and never without a reading."""

from __future__ import annotations

import asyncio
import hashlib
import random
from typing import Any

import httpx
import pytest
import sqlalchemy as sa

from service.access.actions.keeping import AccessLog
from service.access.rules import Caller
from service.contract.cards import LARGE_FROM
from service.contract.custody import RetentionIn
from service.custody.actions.audit import audit_digests
from service.custody.actions.reading import CUSTODY
from service.custody.actions.retain import retain
from service.custody.actions.retention import record_retention
from service.custody.actions.sweep import sweep
from service.custody.store.tables import image_readings
from service.database import Database
from service.facts.projections import differences
from service.images.actions import NotYetVerified
from service.images.store import images
from service.intake.actions.commit import ObjectsMissing
from service.intake.actions.large import put_large, verify_large
from service.objects.holding import Holding
from service.objects.naming import Original
from service.records.actions.images import download
from service.settings import Settings
from tests import factories
from tests.intake.factories import CardBack, Yard, file_of, jpeg, receipt_body, rows_of
from tests.intake.protocol import large_parts, put_parts, random_bytes, worker_status
from tests.live_service import execute

pytestmark = pytest.mark.anyio


class Sites:
    """Workstations of two sites that have the same picture on their cards, and the store past the service."""

    def __init__(
        self, yard: Yard, s3: Any, settings: Settings, agents: dict[str, Caller], body: bytes
    ) -> None:
        self.yard, self.s3, self.bucket, self.agents, self.body = yard, s3, settings.s3_bucket, agents, body
        self.digest = hashlib.sha256(body).hexdigest()
        self.first, self.second = agents

    def card(self, site: str) -> CardBack:
        return self.yard.card(("A/1.JPG", self.body, None), site=site, inspection_id=None)

    async def sent(self, site: str) -> CardBack:
        """A card of the site with its manifest, the bytes uploaded where they are asked for."""
        card = self.card(site)
        await card.open(self.agents[site])
        await card.upload((await card.put_part(0, agent=self.agents[site])).lacking)
        return card

    async def brought(self, site: str) -> None:
        card = await self.sent(site)
        assert len(receipt_body(await card.commit(self.agents[site])).files) == 1

    def put(self, site: str, body: bytes | None) -> None:
        named = {"Bucket": self.bucket, "Key": self.original(site).key}
        if body is None:
            self.s3.delete_object(**named)
        else:
            self.s3.put_object(**named, Body=body)

    def original(self, site: str) -> Original:
        return self.yard.original(self.digest, site)

    async def sound_at(self, site: str) -> bool:
        stat = await self.yard.objects.stat(self.original(site).key)
        return stat is not None and await self.yard.objects.read(self.original(site).key) == self.body

    async def image(self) -> Any:
        (row,) = await rows_of(self.yard.db, sa.select(images).where(images.c.digest == self.digest))
        return row

    async def readings(self) -> list[tuple[str, str]]:
        table = image_readings
        rows = await rows_of(
            self.yard.db, sa.select(table).where(table.c.digest == self.digest).order_by(table.c.number)
        )
        return [(row["site"], row["outcome"]) for row in rows]

    async def assert_follows(self) -> None:
        """What is kept of the readings is what follows of them."""
        async with self.yard.db.begin() as connection:
            assert await differences(connection, CUSTODY, [self.digest]) == ([], {})


@pytest.fixture
async def sites(yard: Yard, s3: Any, settings: Settings) -> Sites:
    agents = {site: await factories.agent(yard.db, yard.made, site) for site in yard.made.sites}
    return Sites(yard, s3, settings, agents, jpeg(4711))


async def next_second() -> None:
    """The store tells its time in whole seconds: what came in within that of a reading may be news."""
    await asyncio.sleep(1.1)


@pytest.mark.parametrize("fault", ["missing", "damaged"])
async def test_p27_what_one_site_lost_is_read_from_the_name_of_another_that_brought_it(
    sites: Sites, db: Database, holding: Holding, fault: str
) -> None:
    async with db.begin() as connection:
        await record_retention(connection, sites.first, RetentionIn(30), by=None)
    for site in sites.agents:
        await sites.brought(site)
    await retain(db, holding)
    assert (await sites.image())["site"] == sites.first, "the first that brought it"
    assert await holding.lock(sites.original(sites.second)) is None
    sites.put(sites.first, None if fault == "missing" else b"other bytes")
    assert (await audit_digests(db, holding, [sites.digest]))["sound"] == 1
    assert await sites.readings() == [(sites.first, fault), (sites.second, "sound")]
    image = await sites.image()
    assert (image["site"], image["unsound_at"]) == (sites.second, None)
    await sites.assert_follows()
    log, reader = AccessLog(db), sites.agents[sites.first]
    got = await download(db, sites.yard.objects, log, reader, sites.digest)
    if fault == "missing":
        assert httpx.get(got.url, timeout=30).content == sites.body
    for site in sites.agents:
        card = sites.card(site)
        await card.open(sites.agents[site])
        assert (await card.put_part(0, agent=sites.agents[site])).lacking == []
        await card.commit(sites.agents[site])
    await retain(db, holding)
    lock = await holding.lock(sites.original(sites.second))
    assert lock is not None, "what counts now is locked in its turn"


@pytest.mark.parametrize("noticed", [True, False])
async def test_i5_p27_a_site_whose_original_lies_elsewhere_and_is_lost_heals_it_under_its_own_name(
    sites: Sites, db: Database, holding: Holding, settings: Settings, noticed: bool
) -> None:
    for site in sites.agents:
        await sites.brought(site)
    for site in sites.agents:
        sites.put(site, None)
    if noticed:
        await next_second()
        assert (await audit_digests(db, holding, [sites.digest]))["missing"] == 1
    agent, card = sites.agents[sites.second], sites.card(sites.second)
    await card.open(agent)
    await card.put_part(0, agent=agent)
    with pytest.raises(ObjectsMissing):
        await card.commit(agent)
    (ticket,) = (await card.check(0, agent)).lacking
    assert sites.original(sites.second).key in ticket.url
    assert await card.upload([ticket]) == [200]
    assert (await card.check(0, agent)).lacking == [], "it came in and is not sent twice"
    with pytest.raises(NotYetVerified):
        await card.commit(agent)
    assert await asyncio.to_thread(worker_status, settings) == 0
    assert len(receipt_body(await card.commit(agent)).files) == 1
    assert (await sites.image())["site"] == sites.second
    await sites.assert_follows()
    # The site that lost it need not send it: its record holds the image, wherever it lies.
    back = sites.card(sites.first)
    await back.open(sites.agents[sites.first])
    assert (await back.put_part(0, agent=sites.agents[sites.first])).lacking == []
    await back.commit(sites.agents[sites.first])


async def test_i5_p27_a_copy_that_is_damaged_too_is_written_over(
    sites: Sites, db: Database, holding: Holding, settings: Settings
) -> None:
    for site in sites.agents:
        await sites.brought(site)
    for site in sites.agents:
        sites.put(site, sites.body[:-1] + b"x")
    await next_second()
    assert (await audit_digests(db, holding, [sites.digest]))["damaged"] == 1
    agent, card = sites.agents[sites.second], sites.card(sites.second)
    await card.open(agent)
    await card.upload((await card.put_part(0, agent=agent)).lacking)
    with pytest.raises(NotYetVerified):
        await card.commit(agent)
    assert await asyncio.to_thread(worker_status, settings) == 0
    await card.commit(agent)
    assert await sites.sound_at(sites.second)
    assert (await sites.image())["site"] == sites.second


async def test_i5_p27_a_site_that_never_had_it_is_told_nothing_of_the_loss_and_heals_it(
    sites: Sites, db: Database, holding: Holding, settings: Settings
) -> None:
    await sites.brought(sites.first)
    sites.put(sites.first, None)
    await next_second()
    assert (await audit_digests(db, holding, [sites.digest]))["missing"] == 1
    agent, card = sites.agents[sites.second], sites.card(sites.second)
    await card.open(agent)
    (ticket,) = (await card.put_part(0, agent=agent)).lacking
    assert ticket.headers["If-None-Match"] == "*", "as for a file that nobody ever had"
    assert await card.upload([ticket]) == [200]
    await card.commit(agent)
    assert await asyncio.to_thread(worker_status, settings) == 0
    image = await sites.image()
    assert (image["site"], image["unsound_at"]) == (sites.second, None)
    assert await sites.readings() == [
        (sites.first, "missing"), (sites.first, "missing"), (sites.second, "sound")
    ]  # fmt: skip


async def test_p17_p27_a_large_upload_of_one_site_is_not_ended_by_what_another_lost(
    sites: Sites, yard: Yard, db: Database, holding: Holding, s3: Any, settings: Settings
) -> None:
    video = random_bytes(LARGE_FROM + 78)
    file = file_of("B/1.MP4", video, kind="video", picture=None)

    async def sent(site: str) -> CardBack:
        card, agent = yard.card_of([file], [video], site=site, inspection_id=None), sites.agents[site]
        await card.open(agent)
        await card.put_part(0, agent=agent)
        for _ in range(3):
            answer = await put_large(
                db, yard.objects, settings, agent, card.id, file.sha256, large_parts(video)
            )
            put_parts(answer, video)
            if answer.state == "verifying":
                assert await verify_large(db, yard.objects, yard.original(file.sha256, site)) == "verified"
        return card

    await (await sent(sites.first)).commit(sites.agents[sites.first])
    still_open = await sent(sites.second)
    s3.delete_object(Bucket=settings.s3_bucket, Key=yard.original(file.sha256, sites.first).key)
    await next_second()
    assert (await audit_digests(db, holding, [file.sha256]))["missing"] == 1
    assert (await still_open.check(0, sites.agents[sites.second])).held == 1
    await still_open.commit(sites.agents[sites.second])
    assert await asyncio.to_thread(worker_status, settings) == 0
    at = "SELECT site, unsound_at FROM images WHERE digest = %s"
    assert execute(settings, at, file.sha256) == [(sites.second, None)]


async def test_p04_a_copy_of_a_second_site_is_never_swept_while_its_return_is_open_or_after(
    sites: Sites, db: Database, holding: Holding
) -> None:
    await sites.brought(sites.first)
    card = await sites.sent(sites.second)
    assert (await sweep(db, holding, 0, delete=True)).orphans == []
    await card.commit(sites.agents[sites.second])
    assert (await sweep(db, holding, 0, delete=True)).orphans == []
    assert [await sites.sound_at(site) for site in sites.agents] == [True, True]


@pytest.mark.parametrize("seed", range(6))
async def test_i5_p27_in_any_order_of_cards_losses_audits_and_sweeps_a_receipt_has_its_bytes(
    sites: Sites, db: Database, holding: Holding, seed: int
) -> None:
    """Fourteen steps, drawn at random: a site brings the picture, its bytes are lost, cut short or, what only
    an audit finds, changed; the audit reads; the sweep deletes all that it may."""
    chance = random.Random(seed)
    receipts = {chance.choice(list(sites.agents))}
    await sites.brought(*receipts)
    for _ in range(14):
        site = chance.choice(list(sites.agents))
        match chance.choice(("bring", "bring", "lose", "cut", "change", "audit", "sweep")):
            case "bring":
                await _brought_in_the_end(sites, holding, site)
                receipts.add(site)
                image = await sites.image()
                assert await sites.sound_at(image["site"]) or await sites.sound_at(site)
            case "lose":
                sites.put(site, None)
            case "cut":
                sites.put(site, sites.body[:-1])
            case "sweep":
                assert (await sweep(db, holding, 0, delete=True)).orphans == []
            case "change" if site in receipts:
                sites.put(site, sites.body[:-1] + b"x")
                await _audited(sites, holding, receipts)
            case "audit":
                await _audited(sites, holding, receipts)
        await sites.assert_follows()


async def _audited(sites: Sites, holding: Holding, receipts: set[str]) -> None:
    """Reads the picture back: it is sound where it lies, or no site that has a receipt has sound bytes."""
    await audit_digests(sites.yard.db, holding, [sites.digest])
    image = await sites.image()
    assert (image["unsound_at"] is None) == await sites.sound_at(image["site"])
    if image["unsound_at"] is not None:
        assert not any([await sites.sound_at(site) for site in receipts])


async def _brought_in_the_end(sites: Sites, holding: Holding, site: str) -> None:
    """Until there is a receipt: what lacks is sent, what waits to be read back is read back."""
    agent, card = sites.agents[site], sites.card(site)
    await card.open(agent)
    await card.upload((await card.put_part(0, agent=agent)).lacking)
    for _ in range(8):
        try:
            await card.commit(agent)
            return
        except ObjectsMissing:
            await card.upload((await card.check(0, agent)).lacking)
        except NotYetVerified:
            await audit_digests(sites.yard.db, holding, [sites.digest])
        await asyncio.sleep(0.3)
    raise AssertionError("no receipt")

"""What the store has lost is asked for again, comes in again, and is read back before it counts as sound."""

from __future__ import annotations

import asyncio
import hashlib
from itertools import groupby
from typing import Any

import pytest
import sqlalchemy as sa
from botocore.exceptions import ClientError

from deploy.embedded.store import ObjectStore
from service.access.rules import Role
from service.contract.cards import LARGE_FROM
from service.contract.custody import RetentionIn
from service.custody.actions.audit import audit_all, audit_digests
from service.custody.actions.overview import read_custody
from service.custody.actions.retain import retain
from service.custody.actions.retention import record_retention
from service.custody.store.tables import image_readings
from service.database import EVERY_SITE, Database
from service.images.actions import NotYetVerified
from service.intake.actions.commit import ObjectsMissing
from service.intake.actions.large import put_large, verify_large
from service.objects import Original
from service.objects.holding import Holding
from service.parts import open_holding
from service.records.actions.images import held_among
from service.settings import Settings
from tests import engines, factories
from tests.custody.spoiling import flip_on_disk
from tests.intake.factories import CardBack, Yard, claim, file_of, jpeg, open_yard, receipt_body, rows_of
from tests.intake.protocol import large_parts, put_parts, random_bytes, worker_status
from tests.live_service import client_of, execute, with_store

pytestmark = pytest.mark.anyio


def card_of(yard: Yard, number: int = 3) -> CardBack:
    files = [(f"A/{n}.JPG", jpeg(n), claim(yard.inspection_id)) for n in range(1, number + 1)]
    return yard.card(*files)


def again(card: CardBack) -> CardBack:
    """The same card, put in again."""
    return CardBack(card.yard, card.files, card.bodies, card.opening)


async def worker_works(settings: Settings) -> None:
    assert await asyncio.to_thread(worker_status, settings) == 0


async def next_second() -> None:
    """The store tells its time in whole seconds: what came in within that of a reading may be news."""
    await asyncio.sleep(1.1)


async def readings(db: Database, digest: str) -> list[str]:
    rows = await rows_of(
        db,
        sa.select(image_readings).where(image_readings.c.digest == digest).order_by(image_readings.c.number),
    )
    return [row["outcome"] for row in rows]


async def outcomes(db: Database, digest: str) -> list[str]:
    """The readings without what the audit of the hour, which may fall due meanwhile, found once more."""
    return [outcome for outcome, _ in groupby(await readings(db, digest))]


def put_in_place(s3: Any, settings: Settings, original: Original, body: bytes | None) -> None:
    """Past the service: the store holds these bytes under the original's name; None: it has lost it."""
    named = {"Bucket": settings.s3_bucket, "Key": original.key}
    if body is None:
        s3.delete_object(**named)
    else:
        s3.put_object(**named, Body=body)


@pytest.mark.parametrize("fault", ["missing", "damaged", "cut short"])
async def test_i5_p27_what_the_audit_found_unsound_is_asked_for_again_and_read_back_before_a_receipt(
    yard: Yard, db: Database, holding: Holding, s3: Any, settings: Settings, fault: str
) -> None:
    card = card_of(yard)
    await card.go_through()
    digest = card.files[0].sha256
    body = card.bodies[digest]
    spoilt = {"missing": None, "damaged": body[:-1] + b"x", "cut short": body[:-1]}
    put_in_place(s3, settings, yard.original(digest), spoilt[fault])
    await next_second()
    await audit_all(db, holding)
    assert await held_among(db, yard.agent, [file.sha256 for file in card.files]) == [
        file.sha256 for file in card.files[1:]
    ]
    # Another workstation has the bytes in hand.
    elsewhere = await factories.agent(db, yard.made, yard.made.site)
    yard.agent, back = elsewhere, again(card)
    (ticket,) = await back.send_manifest()
    assert ticket.sha256 == digest
    with pytest.raises(ObjectsMissing) as refused:
        await back.commit()
    assert [error.path for error in refused.value.errors] == [digest]
    (ticket,) = (await back.check(0)).lacking
    assert await back.upload([ticket]) == [200]
    assert (await back.check(0)).lacking == [], "it came in and is not sent twice"
    with pytest.raises(NotYetVerified) as waiting:
        await back.commit()
    assert waiting.value.slug == "objects-unverified"
    assert [error.path for error in waiting.value.errors] == [digest]
    await worker_works(settings)
    assert len(receipt_body(await back.commit()).files) == 3
    assert (await readings(db, digest))[-1] == "sound"
    assert (await readings(db, digest))[0] == ("missing" if fault == "missing" else "damaged")
    custody = await read_custody(db, await factories.person(db, Role.AUDITOR), 90)
    assert (custody.damaged, custody.missing, custody.not_sound) == (0, 0, [])
    assert await yard.objects.read(yard.original(digest).key) == card.bodies[digest]
    # And then it is as it was: nobody sends it a second time.
    third = again(card)
    assert await third.send_manifest() == []
    await third.commit()


async def test_i5_an_object_that_vanished_after_it_was_checked_gets_no_receipt_whoever_brought_it(
    yard: Yard, db: Database, holding: Holding, s3: Any, settings: Settings
) -> None:
    first = card_of(yard)
    await first.go_through()
    card = card_of(yard, 5)
    await card.upload(await card.send_manifest())
    assert (await card.check(0)).lacking == []
    gone = [card.files[0].sha256, card.files[4].sha256]
    for digest in gone:
        put_in_place(s3, settings, yard.original(digest), None)
    with pytest.raises(ObjectsMissing) as refused:
        await card.commit()
    assert sorted(error.path for error in refused.value.errors) == sorted(gone)
    lacking = (await card.check(0)).lacking
    assert sorted(ticket.sha256 for ticket in lacking) == sorted(gone)
    assert await card.upload(lacking) == [200, 200]
    # What was held before was ordered to be read, so that people hear of it; it is sound again by now.
    await worker_works(settings)
    assert await outcomes(db, gone[0]) == ["sound"]
    assert len(receipt_body(await card.commit()).files) == 5


async def test_p27_what_a_commit_found_missing_stands_in_the_record_of_custody(
    yard: Yard, db: Database, s3: Any, settings: Settings
) -> None:
    card = card_of(yard)
    await card.go_through()
    digest = card.files[1].sha256
    put_in_place(s3, settings, yard.original(digest), None)
    back = again(card)
    assert await back.send_manifest() == [], "by the record alone nothing lacks"
    for _ in range(2):
        with pytest.raises(ObjectsMissing):
            await back.commit()
    ordered = "SELECT args FROM procrastinate_jobs WHERE task_name = 'custody:read_back'"
    assert [row[0] for row in execute(settings, ordered)] == [{"digests": [digest]}]
    await worker_works(settings)
    assert await outcomes(db, digest) == ["missing"]
    custody = await read_custody(db, await factories.person(db, Role.AUDITOR), 90)
    assert [one.digest for one in custody.not_sound] == [digest]


@pytest.mark.parametrize("fault", ["missing", "damaged"])
async def test_i1_p27_the_thumbnail_of_an_original_that_is_not_sound_waits_until_it_is(
    yard: Yard, db: Database, holding: Holding, s3: Any, settings: Settings, fault: str
) -> None:
    card = card_of(yard)
    await card.go_through()
    digest = card.files[1].sha256
    put_in_place(s3, settings, yard.original(digest), None if fault == "missing" else jpeg(77, (90, 60)))
    await worker_works(settings)
    waiting = "SELECT args FROM procrastinate_jobs WHERE queue_name = 'thumbnails' AND status <> 'succeeded'"
    assert execute(settings, waiting) == [], "no job tries in vain until the original is there"
    looked = f"SELECT thumbnail, width FROM images WHERE digest = '{digest}'"
    assert execute(settings, looked) == [(None, None)], "nothing is said of bytes that are not the image's"
    others = f"SELECT DISTINCT thumbnail FROM images WHERE digest <> '{digest}'"
    assert execute(settings, others) == [("made",)]
    put_in_place(s3, settings, yard.original(digest), card.bodies[digest])
    await audit_digests(db, holding, [digest])
    await worker_works(settings)
    assert execute(settings, looked) == [("made", 64)]


async def test_p27_p28_a_locked_original_that_rots_on_the_disk_stays_as_evidence_beside_the_new_one(
    fresh_database_url: str, service_settings: Settings
) -> None:
    """On the store's own disk, which this test flips a bit on; so it has a store of its own."""
    with engines.throwaway_folder() as folder, ObjectStore(folder / "store", throwaway=True) as store:
        settings = with_store(service_settings, store, database_url=fresh_database_url)
        db, holding = Database(fresh_database_url, scope=EVERY_SITE), open_holding(settings)
        yard = await open_yard(db, settings)
        client = client_of(settings)
        try:
            await locked_rot(yard, holding, client, settings, folder)
        finally:
            client.close()
            yard.objects.close()
            holding.close()
            await db.close()


async def locked_rot(yard: Yard, holding: Holding, client: Any, settings: Settings, folder: Any) -> None:
    db, card = yard.db, card_of(yard, 2)
    async with db.begin() as connection:
        await record_retention(connection, yard.made.site, RetentionIn(30), by=None)
    await card.go_through()
    await retain(db, holding)
    digest = card.files[0].sha256
    lock = await holding.lock(yard.original(digest))
    assert lock is not None
    await asyncio.to_thread(flip_on_disk, folder, card.bodies[digest])
    found = await audit_digests(db, holding, [digest])
    assert found["damaged"] + found["unreadable"] == 1
    back = again(card)
    (ticket,) = await back.send_manifest()
    assert await back.upload([ticket]) == [200]
    with pytest.raises(NotYetVerified):
        await back.commit()
    await worker_works(settings)
    assert len(receipt_body(await back.commit()).files) == 2
    named = {"Bucket": settings.s3_bucket, "Key": yard.original(digest).key}
    listed = client.list_object_versions(Bucket=named["Bucket"], Prefix=named["Key"])
    versions = listed["Versions"]
    assert [one["IsLatest"] for one in versions] == [True, False]
    assert [one["VersionId"] for one in versions][1] == lock.version, "the damaged one is still there"
    with pytest.raises(ClientError) as refused:
        client.delete_object(**named, VersionId=lock.version)
    assert refused.value.response["Error"]["Code"] == "AccessDenied"
    assert client.get_object(**named)["Body"].read() == card.bodies[digest]
    # The one that counts now is locked in its turn, as long as the site asks.
    await retain(db, holding)
    fresh = await holding.lock(yard.original(digest))
    assert fresh is not None
    assert fresh.version == versions[0]["VersionId"]
    assert fresh.until >= lock.until


async def test_p17_p27_a_large_original_that_was_lost_comes_again_by_parts_and_is_read_back(
    yard: Yard, db: Database, holding: Holding, s3: Any, settings: Settings
) -> None:
    video = random_bytes(LARGE_FROM + 77)
    file = file_of("B/1.MP4", video, claim(yard.inspection_id, "B"), kind="video", picture=None)
    digest = file.sha256
    for flaw in (None, "missing", "damaged"):
        card = yard.card_of([file], [video])
        if flaw is not None:
            wrong = video[:-1] + bytes([video[-1] ^ 1])
            put_in_place(s3, settings, yard.original(digest), wrong if flaw == "damaged" else None)
            await next_second()
            assert (await audit_digests(db, holding, [digest]))[flaw] == 1
        await card.open()
        assert [one.sha256 for one in (await card.put_part(0)).large] == [digest], flaw
        with pytest.raises(ObjectsMissing):
            await card.commit()
        await send_by_parts(card, digest, settings)
        if flaw is not None:
            with pytest.raises(NotYetVerified):
                await card.commit()
            await worker_works(settings)
        assert len(receipt_body(await card.commit()).files) == 1
        assert hashlib.sha256(await yard.objects.read(yard.original(digest).key)).hexdigest() == digest
    assert await outcomes(db, digest) == ["missing", "sound", "damaged", "sound"]


async def send_by_parts(card: CardBack, digest: str, settings: Settings) -> None:
    yard, data = card.yard, card.bodies[digest]
    for _ in range(4):
        answer = await put_large(
            yard.db, yard.objects, settings, yard.agent, card.id, digest, large_parts(data)
        )
        if answer.state == "verified":
            return
        if answer.state == "verifying":
            assert await verify_large(yard.db, yard.objects, yard.original(digest)) == "verified"
        assert set(put_parts(answer, data)) <= {200}
    raise AssertionError("not verified")

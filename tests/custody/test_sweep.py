"""The sweep of orphans takes nothing that is named and nothing young, whatever happens beside it."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from msgspec.structs import replace

from service.custody.actions import sweep as sweeping
from service.custody.actions.sweep import sweep
from service.custody.store.tables import custody_runs
from service.database import Database
from service.errors import Conflict
from service.intake.store.large import large_files
from service.intake.store.naming import about_to_name
from service.intake.store.returns import insert_part
from service.objects import ObjectSettings, Original
from service.objects.holding import Holding, Upload
from service.parts import open_holding
from service.settings import Settings
from tests.commands.own_process import sightledger
from tests.intake.factories import CardBack, Yard, claim, images_among, jpeg, rows_of

pytestmark = pytest.mark.anyio

# By the store's clock everything here is seconds old, so only an age of none makes an orphan of it.
OLD_ENOUGH = 0


class Put:
    """Objects put into the store past the service."""

    def __init__(self, s3: Any, bucket: str, site: str) -> None:
        self.s3, self.bucket, self.site = s3, bucket, site

    def __call__(self, body: bytes) -> str:
        digest = hashlib.sha256(body).hexdigest()
        self.s3.put_object(Bucket=self.bucket, Key=self.original(digest).key, Body=body)
        return digest

    def original(self, digest: str) -> Original:
        return Original(self.site, digest)

    def there(self) -> set[str]:
        listed = self.s3.list_objects_v2(Bucket=self.bucket, Prefix="originals/").get("Contents", [])
        return {item["Key"].rpartition("/")[2] for item in listed}

    def versions(self) -> int:
        answer = self.s3.list_object_versions(Bucket=self.bucket, Prefix="originals/")
        return len(answer.get("Versions", [])) + len(answer.get("DeleteMarkers", []))


@pytest.fixture
def put(s3: Any, settings: Settings, yard: Yard) -> Put:
    return Put(s3, settings.s3_bucket, yard.made.site)


async def test_p04_only_what_nothing_names_is_deleted_and_only_when_told(
    yard: Yard, db: Database, holding: Holding, put: Put, settings: Settings
) -> None:
    committed = yard.card(("A/1.JPG", jpeg(1), claim(yard.inspection_id)))
    await committed.go_through()
    still_open = yard.card(("A/2.JPG", jpeg(2), claim(yard.inspection_id)))
    await still_open.upload(await still_open.send_manifest())
    on_its_way = put(b"a large file that was read back and is not committed")
    row = {
        **put.original(on_its_way)._asdict(),
        "size": 1,
        "parts": b"",
        "opened_at": sa.func.now(),
        "asked_at": sa.func.now(),
    }
    async with db.begin() as connection:
        await connection.execute(large_files.insert().values(**row))
    named = {committed.files[0].sha256, still_open.files[0].sha256, on_its_way}
    orphan = put(b"nobody knows me")
    put.s3.put_object(Bucket=put.bucket, Key="originals/README", Body=b"a name that is not ours")

    told = await sweep(db, holding, OLD_ENOUGH)
    assert [one.digest for one in told.orphans] == [orphan]
    assert (told.listed, told.strange, told.deleted) == (5, 1, [])
    assert put.there() == named | {orphan, "README"}, "a sweep deletes nothing unless it is told to"

    young = await sweep(db, holding, 1, delete=True)
    assert (young.orphans, young.deleted) == ([], [])
    done = await sweep(db, holding, OLD_ENOUGH, delete=True)
    assert [one.digest for one in done.deleted] == [orphan]
    assert put.there() == named | {"README"}
    assert put.versions() == len(named) + 1, "no version of it is left"
    runs = await rows_of(db, sa.select(custody_runs.c.found).order_by(custody_runs.c.number))
    assert [run["found"]["deleted"] for run in runs] == [0, 0, 1]
    await still_open.commit()
    again = sightledger(settings, "sweep", "--delete")
    assert (again.returncode, again.stdout) == (0, "")
    assert put.there() == named | {"README"}


async def test_p04_a_card_that_comes_while_the_sweep_deletes_keeps_every_picture(
    yard: Yard, db: Database, settings: Settings, put: Put
) -> None:
    """The store holds a picture that nothing names. A card with it comes at every stage of its deletion."""
    for stage in ("before the last look", "after the last look", "after the deletion"):
        body = jpeg(len(stage))
        digest = put(body)
        card = yard.card(("A/1.JPG", body, claim(yard.inspection_id)))
        coming: list[asyncio.Task[Any]] = []

        async def come(card: CardBack = card, coming: list[asyncio.Task[Any]] = coming) -> None:
            coming.append(asyncio.create_task(card.go_through()))
            # Time enough to get ahead of the sweep, if it lets it.
            await asyncio.wait(coming, timeout=0.5)

        pausing = Pausing(settings, come, stage)
        try:
            done = await sweep(db, pausing, OLD_ENOUGH, delete=True)
            receipt = await asyncio.wait_for(coming[0], 20)
        finally:
            pausing.close()
        assert [file.sha256 for file in receipt.files] == [digest]
        assert put.there() >= {digest}, stage
        assert await pausing.read_back_after(put.original(digest), len(body)) == "sound", stage
        assert (digest in {one.digest for one in done.deleted}) == (stage != "before the last look")


class Pausing(Holding):
    """The real store; at one stage of a sweep something else is done first."""

    def __init__(self, settings: Settings, meanwhile: Callable[[], Any], stage: str) -> None:
        store = open_holding(settings)
        super().__init__(store.settings)
        store.close()
        self.meanwhile, self.stage = meanwhile, stage

    async def uploads(self) -> tuple[list[Upload], datetime]:
        """Asked for when everything is listed and nothing is locked."""
        found = await super().uploads()
        if self.stage == "before the last look":
            await self.meanwhile()
        return found

    async def delete(self, original: Original) -> bool:
        if self.stage == "after the last look":
            await self.meanwhile()
        done = await super().delete(original)
        if self.stage == "after the deletion":
            await self.meanwhile()
        return done

    async def read_back_after(self, original: Original, size: int) -> str:
        fresh = Holding(self.settings)
        try:
            return (await fresh.read_back(original, size)).outcome
        finally:
            fresh.close()


async def test_p04_a_part_that_is_being_recorded_is_waited_for(
    yard: Yard, db: Database, holding: Holding, put: Put
) -> None:
    """Recorded and not yet committed: the sweep cannot see the name, so it must not look before."""
    body = jpeg(7)
    digest = put(body)
    card = yard.card(("A/1.JPG", body, claim(yard.inspection_id)))
    await card.open()
    part = {"card_return_id": card.id, "part": 0, "files": 1, "body": digest.encode(), "body_sha256": "x"}
    async with db.begin() as connection:
        await about_to_name(connection)
        await insert_part(connection, part)
        sweeping_now = asyncio.create_task(sweep(db, holding, OLD_ENOUGH, delete=True))
        await asyncio.wait([sweeping_now], timeout=1)
        assert not sweeping_now.done()
    done = await sweeping_now
    assert ([one.digest for one in done.kept], done.deleted) == ([digest], [])
    assert put.there() == {digest}


async def test_p04_a_locked_orphan_stays_and_an_unversioned_bucket_loses_nothing(
    db: Database, holding: Holding, put: Put, settings: Settings, bucket: ObjectSettings
) -> None:
    digest = put(b"locked and unknown")
    await holding.retain(put.original(digest), "GOVERNANCE", await holding.clock() + timedelta(days=1))
    done = await sweep(db, holding, OLD_ENOUGH, delete=True)
    assert ([one.digest for one in done.kept], done.deleted) == ([digest], [])
    assert put.there() == {digest}
    plain = open_holding(replace(settings, s3_bucket=bucket.bucket))
    try:
        with pytest.raises(Conflict, match="keeps no versions"):
            await sweep(db, plain, OLD_ENOUGH, delete=True)
    finally:
        plain.close()


async def test_p04_forgotten_uploads_are_aborted_and_those_that_a_row_names_are_not(
    db: Database, holding: Holding, put: Put
) -> None:
    begun = [
        put.s3.create_multipart_upload(Bucket=put.bucket, Key=put.original(digit * 64).key)["UploadId"]
        for digit in "ab"
    ]
    now = sa.func.now()
    row = {**put.original("a" * 64)._asdict(), "size": 1, "parts": b"", "opened_at": now, "asked_at": now}
    async with db.begin() as connection:
        await connection.execute(large_files.insert().values(upload_id=begun[0], **row))
    assert (await sweep(db, holding, 1, delete=True)).aborted == []
    done = await sweep(db, holding, OLD_ENOUGH, delete=True)
    assert [upload.upload_id for upload in done.aborted] == [begun[1]]
    assert [upload.upload_id for upload in (await holding.uploads())[0]] == [begun[0]]


async def test_p04_many_objects_are_listed_page_by_page(
    db: Database, holding: Holding, put: Put, yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sweeping, "DELETED_AT_ONCE", 3)
    monkeypatch.setattr("service.objects.holding.LISTED_AT_ONCE", 4)
    card = yard.card(*((f"A/{n}.JPG", jpeg(n), claim(yard.inspection_id)) for n in range(6)))
    await card.go_through()
    unknown = {put(f"orphan {n}".encode()) for n in range(8)}
    done = await sweep(db, holding, OLD_ENOUGH, delete=True)
    assert {one.digest for one in done.deleted} == unknown
    assert done.listed == 14
    assert put.there() == await images_among(db, put.there()) == {file.sha256 for file in card.files}

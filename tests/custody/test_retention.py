"""Locks by the policies of sites, tried on the real store: set, renewed, never shortened, never passed."""

from __future__ import annotations

from contextlib import closing
from datetime import timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from botocore.exceptions import ClientError
from msgspec.structs import replace

from service.access.rules import Role
from service.contract.custody import RetentionIn
from service.custody.actions.overview import read_custody
from service.custody.actions.retain import retain
from service.custody.actions.retention import put_retention, record_retention
from service.custody.store.tables import image_custody
from service.database import EVERY_SITE, Database
from service.errors import NotAllowed
from service.objects import ObjectSettings
from service.objects.holding import Holding, Lock
from service.parts import open_holding
from service.settings import Settings
from tests import factories
from tests.commands.own_process import sightledger
from tests.intake.factories import CardBack, Yard, jpeg, open_yard, rows_of

pytestmark = pytest.mark.anyio
DAY = timedelta(days=1)


async def ask(db: Database, site: str, days: int, mode: str = "governance") -> None:
    async with db.begin() as connection:
        await record_retention(connection, site, RetentionIn(days, mode), by=None)  # type: ignore[arg-type]


async def lock_of(holding: Holding, card: CardBack) -> Lock:
    found = await holding.lock(card.yard.original(card.files[0].sha256))
    assert found is not None
    return found


async def test_p28_originals_are_locked_by_policy_and_no_locked_one_is_deleted_or_overwritten(
    yard: Yard, db: Database, holding: Holding, s3: Any, settings: Settings
) -> None:
    card = yard.card(("A/1.JPG", jpeg(1), None))
    await card.go_through()
    assert await retain(db, holding) is None, "no site asks for a lock"
    words = ("retention", yard.made.site, "--days", "2", "--mode", "compliance")
    assert sightledger(settings, *words).returncode == 0
    done = await retain(db, holding)
    assert done is not None
    assert (done.returns, done.originals, done.object_lock) == (1, 1, True)
    lock, at = await lock_of(holding, card), await holding.clock()
    assert lock.mode == "COMPLIANCE"
    assert timedelta() <= at + 2 * DAY - lock.until < timedelta(minutes=1), "by the store's time"

    digest = card.files[0].sha256
    where = {"Bucket": settings.s3_bucket, "Key": yard.original(digest).key}
    for bypass in (False, True):
        with pytest.raises(ClientError, match="AccessDenied"):
            s3.delete_object(**where, VersionId=lock.version, BypassGovernanceRetention=bypass)
    sooner = {"Mode": "COMPLIANCE", "RetainUntilDate": lock.until - DAY}
    with pytest.raises(ClientError, match="AccessDenied"):
        s3.put_object_retention(**where, Retention=sooner, BypassGovernanceRetention=True)
    with pytest.raises(ClientError, match="PreconditionFailed"):
        s3.put_object(**where, Body=b"other", IfNoneMatch="*")
    # Who holds the store's key can put another version before it; the locked one stays, and is told of.
    s3.put_object(**where, Body=b"other bytes")
    found = await holding.read_back(yard.original(digest), len(jpeg(1)))
    assert (found.outcome, found.kept_version) == ("damaged", lock.version)
    custody = await read_custody(db, await factories.person(db, Role.ADMINISTRATOR), 90)
    assert (custody.locked, custody.object_lock) == (1, True)
    assert [(one.site, one.days) for one in custody.retention] == [(yard.made.site, 2)]
    again = await retain(db, holding)
    assert again is not None
    assert (again.returns, again.renewed) == (0, 0)


async def test_p28_a_lock_is_renewed_before_it_ends_as_long_as_a_policy_asks_and_never_shortened(
    yard: Yard, db: Database, holding: Holding
) -> None:
    site = yard.made.site
    await ask(db, site, 30)
    card = yard.card(("A/1.JPG", jpeg(1), None))
    await card.go_through()
    await retain(db, holding)
    first = await lock_of(holding, card)
    await ask(db, site, 3)
    await retain(db, holding)
    assert await lock_of(holding, card) == first, "a shorter policy shortens no lock"
    await ask(db, site, 90)
    await retain(db, holding)
    longer = await lock_of(holding, card)
    assert timedelta(days=59) < longer.until - first.until < timedelta(days=61)

    async def come_due() -> None:
        async with db.begin() as connection:
            await connection.execute(sa.update(image_custody).values(renew_at=sa.func.now() - DAY))

    await ask(db, site, 100)
    async with db.begin() as connection:
        # As if the return had been locked by this policy long ago.
        await connection.execute(
            sa.text(
                "UPDATE return_locks SET policy_id = (SELECT id FROM retention_policies WHERE days = 100)"
            )
        )
    await come_due()
    done = await retain(db, holding)
    assert done is not None
    assert (done.returns, done.renewed) == (0, 1)
    renewed = await lock_of(holding, card)
    assert timedelta(days=9) < renewed.until - longer.until < timedelta(days=11)
    (row,) = await rows_of(db, sa.select(image_custody))
    assert row["locked_until"] - row["renew_at"] == timedelta(days=100) / 3
    await ask(db, site, 0)
    await come_due()
    assert await retain(db, holding) is None
    assert await lock_of(holding, card) == renewed, "a policy taken back lets the lock run out, not end"


async def test_p28_an_original_of_several_sites_has_the_longest_time_and_the_strictest_mode(
    yard: Yard, db: Database, holding: Holding
) -> None:
    here, there = yard.made.site, yard.made.other_site
    await ask(db, here, 5, "compliance")
    await ask(db, there, 50)
    card = yard.card(("A/1.JPG", jpeg(1), None))
    await card.go_through()
    await retain(db, holding)
    assert (await lock_of(holding, card)).until < await holding.clock() + 6 * DAY
    agent = await factories.agent(db, yard.made, there)
    second = yard.card(("B/1.JPG", jpeg(1), None), site=there, inspection_id=None)
    await second.open(agent)
    await second.upload((await second.put_part(0, agent=agent)).lacking)
    await second.commit(agent)
    await retain(db, holding)
    lock = await lock_of(holding, card)
    assert lock.mode == "COMPLIANCE"
    assert lock.until > await holding.clock() + 49 * DAY


async def test_p28_a_store_without_object_lock_is_told_of_and_hinders_no_intake(
    fresh_database_url: str, service_settings: Settings, bucket: ObjectSettings
) -> None:
    settings = replace(service_settings, database_url=fresh_database_url, s3_bucket=bucket.bucket)
    db = Database(fresh_database_url, scope=EVERY_SITE)
    with closing(open_holding(settings)) as holding:
        yard = await open_yard(db, settings)
        await ask(db, yard.made.site, 30)
        await yard.card(("A/1.JPG", jpeg(1), None)).go_through()
        done = await retain(db, holding)
        assert done is not None
        assert (done.object_lock, done.returns) == (False, 0)
        custody = await read_custody(db, await factories.person(db, Role.AUDITOR), 90)
        assert (custody.object_lock, custody.locked) == (False, 0)
        yard.objects.close()
    await db.close()


async def test_p26_p28_a_service_clock_a_year_ahead_locks_for_no_day_too_long(
    yard: Yard, db: Database, holding: Holding, monkeypatch: pytest.MonkeyPatch
) -> None:
    from datetime import datetime

    class Ahead(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> datetime:  # type: ignore[override]
            return datetime.now(tz) + timedelta(days=365)

    for module in ("service.database", "service.custody.actions.retain", "service.objects.holding"):
        monkeypatch.setattr(f"{module}.datetime", Ahead)
    await ask(db, yard.made.site, 30)
    card = yard.card(("A/1.JPG", jpeg(1), None))
    await card.go_through()
    await retain(db, holding)
    lock = await lock_of(holding, card)
    assert timedelta() <= await holding.clock() + 30 * DAY - lock.until < timedelta(minutes=1)


async def test_p28_only_an_administrator_of_the_site_changes_its_policy_and_the_record_says_who(
    yard: Yard, db: Database
) -> None:
    site = yard.made.site
    administrator = await factories.person(db, Role.ADMINISTRATOR, at=[site])
    told = await put_retention(db, administrator, site, RetentionIn(30), lambda _: None)
    assert (told.days, told.number, told.by) == (30, 1, administrator.name)
    same = await put_retention(db, administrator, site, RetentionIn(30), lambda _: pytest.fail("no change"))
    assert same == told
    for caller in (
        await factories.person(db, Role.ADMINISTRATOR, at=[yard.made.other_site]),
        await factories.person(db, Role.AUDITOR),
    ):
        with pytest.raises(NotAllowed):
            await put_retention(db, caller, site, RetentionIn(1), lambda _: None)

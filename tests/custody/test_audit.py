"""Originals are read back from the real store; what happened to them behind the service's back is found."""

from __future__ import annotations

import asyncio
import hashlib
from dataclasses import dataclass
from typing import Any
from uuid import UUID

import pytest
import sqlalchemy as sa

from deploy.embedded.store import ObjectStore
from service.access.rules import Role
from service.custody.actions.audit import audit_all, audit_digests, audit_share
from service.custody.actions.overview import read_custody
from service.custody.store.tables import image_custody, image_readings
from service.database import EVERY_SITE, Database
from service.errors import NotAllowed, Unavailable
from service.facts.rules import standing
from service.objects.holding import Holding
from service.parts import open_holding
from service.settings import Settings
from service.watching import Watch
from tests import engines, factories
from tests.commands.own_process import sightledger
from tests.custody.spoiling import flip_on_disk
from tests.intake.factories import CardBack, Yard, claim, jpeg, open_yard, rows_of
from tests.live_service import with_store

pytestmark = pytest.mark.anyio


async def held(yard: Yard, number: int, first: int = 1) -> CardBack:
    """A committed card return of so many pictures."""
    files = [(f"A/{n}.JPG", jpeg(n), claim(yard.inspection_id)) for n in range(first, first + number)]
    card = yard.card(*files)
    await card.go_through()
    return card


def body_of(card: CardBack, at: int = 0) -> tuple[str, bytes]:
    digest = card.files[at].sha256
    return digest, card.bodies[digest]


async def test_p27_a_bit_flipped_in_the_store_is_found_and_told_everywhere(
    yard: Yard, db: Database, holding: Holding, s3: Any, settings: Settings
) -> None:
    card = await held(yard, 3)
    assert await audit_all(db, holding) == {"sound": 3, "damaged": 0, "missing": 0, "unreadable": 0}
    digest, body = body_of(card)
    flipped = body[:50] + bytes([body[50] ^ 1]) + body[51:]
    s3.put_object(Bucket=settings.s3_bucket, Key=yard.original(digest).key, Body=flipped)
    lost, _ = body_of(card, 1)
    s3.delete_object(Bucket=settings.s3_bucket, Key=yard.original(lost).key)
    before = s3.list_object_versions(Bucket=settings.s3_bucket)

    told = sightledger(settings, "audit", "--all")
    assert (told.returncode, told.stdout) == (3, "1 sound, 1 damaged, 1 missing, 0 unreadable\n")
    assert [line for line in told.stderr.splitlines() if digest in line and '"error"' in line]
    after = s3.list_object_versions(Bucket=settings.s3_bucket)
    assert [before[name] for name in ("Versions", "DeleteMarkers")] == [
        after[name] for name in ("Versions", "DeleteMarkers")
    ], "an audit changes nothing"

    auditor = await factories.person(db, Role.AUDITOR)
    custody = await read_custody(db, auditor, settings.audit_days)
    assert {(one.digest, one.outcome) for one in custody.not_sound} == {
        (digest, "damaged"),
        (lost, "missing"),
    }
    assert all(one.kept_version for one in custody.not_sound), "the bucket keeps the sound versions"
    for one in custody.not_sound:
        assert one.units == [yard.serial]
        assert [(seen.site, seen.card_return_id) for seen in one.seen] == [(yard.made.site, card.id)]
    assert (custody.held, custody.read_back, custody.overdue) == (3, 3, 0)
    figures = (await Watch(settings.audit_days).text(db)).decode().splitlines()
    assert {"sightledger_originals_damaged 1.0", "sightledger_originals_missing 1.0"} <= set(figures)
    assert {"sightledger_originals_read_back 3.0", "sightledger_originals_overdue 0.0"} <= set(figures)
    elsewhere = await read_custody(
        db, await factories.person(db, Role.AUDITOR, at=[yard.made.other_site]), 90
    )
    assert (elsewhere.not_sound, elsewhere.not_sound_elsewhere) == ([], 2)
    with pytest.raises(NotAllowed):
        await read_custody(db, await factories.person(db, Role.INSPECTOR), 90)


async def test_p27_who_looks_is_shown_those_of_his_sites_however_many_there_are_elsewhere(
    yard: Yard, db: Database, holding: Holding, s3: Any, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.custody.actions.overview.SHOWN", 2)
    bodies = sorted((jpeg(n) for n in range(8)), key=lambda body: hashlib.sha256(body).hexdigest())
    # Those elsewhere come first by digest: enough of them to fill what is shown.
    elsewhere = yard.card(*((f"A/{n}.JPG", body, None) for n, body in enumerate(bodies[:5])))
    told = {"site": yard.made.other_site, "inspection_id": None}
    here = yard.card(*((f"B/{n}.JPG", body, None) for n, body in enumerate(bodies[5:])), **told)
    await elsewhere.go_through()
    yard.agent = await factories.agent(db, yard.made, yard.made.other_site)
    await here.go_through()
    for card in (elsewhere, here):
        for file in card.files:
            original = yard.original(file.sha256, card.opening.site)
            s3.delete_object(Bucket=settings.s3_bucket, Key=original.key)
    await audit_all(db, holding)
    auditor = await factories.person(db, Role.AUDITOR, at=[yard.made.other_site])
    custody = await read_custody(db, auditor, 90)
    assert [one.digest for one in custody.not_sound] == [file.sha256 for file in here.files[:2]]
    assert (custody.not_sound_more, custody.not_sound_elsewhere) == (1, 5)
    everywhere = await read_custody(db, await factories.person(db, Role.AUDITOR), 90)
    assert len(everywhere.not_sound) == 2
    assert (everywhere.not_sound_more, everywhere.not_sound_elsewhere) == (6, 0)


async def test_p27_a_bit_flipped_on_the_disk_of_the_store_is_found(
    fresh_database_url: str, service_settings: Settings
) -> None:
    """In the store's own files, where it lies; so this test has a store of its own."""
    with engines.throwaway_folder() as folder, ObjectStore(folder / "store", throwaway=True) as store:
        settings = with_store(service_settings, store, database_url=fresh_database_url)
        db, holding = Database(fresh_database_url, scope=EVERY_SITE), open_holding(settings)
        yard = await open_yard(db, settings)
        card = await held(yard, 2)
        digest, body = body_of(card)
        await asyncio.to_thread(flip_on_disk, folder, body)
        counts = await audit_all(db, holding)
        assert counts["sound"] == 1
        assert counts["damaged"] + counts["unreadable"] == 1
        (bad,) = await rows_of(db, sa.select(image_custody).where(image_custody.c.outcome != "sound"))
        assert bad["digest"] == digest
        # A store that is away says nothing of its originals: nothing is called missing.
        store.stop()
        with pytest.raises(Unavailable):
            await audit_all(db, holding)
        assert [row["outcome"] for row in await rows_of(db, sa.select(image_readings))].count("missing") == 0
        yard.objects.close()
        holding.close()
        await db.close()


async def test_p27_the_share_takes_the_unsound_then_the_never_read_then_the_longest_unread(
    yard: Yard, db: Database, holding: Holding, s3: Any, settings: Settings
) -> None:
    card = await held(yard, 4)
    digests = sorted(file.sha256 for file in card.files)
    assert sum((await audit_digests(db, holding, digests[2:3])).values()) == 1
    assert sum((await audit_digests(db, holding, digests[:1])).values()) == 1
    order: list[str] = []
    for _ in range(4):
        # A window so long that a share is one original.
        assert sum((await audit_share(db, holding, 90)).values()) == 1
        order.append((await last_reading(db))["digest"])
    assert set(order[:2]) == {digests[1], digests[3]}, "never read comes first"
    assert order[2:] == [digests[2], digests[0]], "then what was read longest ago"
    s3.delete_object(Bucket=settings.s3_bucket, Key=yard.original(digests[0]).key)
    await audit_digests(db, holding, digests[:1])
    for _ in range(2):
        await audit_share(db, holding, 90)
        assert (await last_reading(db))["digest"] == digests[0], "what is not sound is looked at every time"
    s3.put_object(Bucket=settings.s3_bucket, Key=yard.original(digests[0]).key, Body=card.bodies[digests[0]])
    assert (await audit_share(db, holding, 90))["sound"] == 1, "put back by a person, it is sound again"


async def last_reading(db: Database) -> Any:
    query = sa.select(image_readings).order_by(image_readings.c.number.desc()).limit(1)
    return (await rows_of(db, query))[0]


@dataclass(frozen=True)
class Reading:
    id: UUID
    replaces: frozenset[UUID]


async def test_p27_i3_what_is_shown_is_the_fold_of_the_readings(
    yard: Yard, db: Database, holding: Holding, s3: Any, settings: Settings
) -> None:
    card = await held(yard, 6)
    for at in range(3):
        s3.delete_object(Bucket=settings.s3_bucket, Key=yard.original(card.files[at].sha256).key)
        await asyncio.gather(audit_all(db, holding), audit_share(db, holding, 1), audit_all(db, holding))
    readings = await rows_of(db, sa.select(image_readings))
    assert len(readings) >= 36
    folded = {}
    for digest in {row["digest"] for row in readings}:
        of_digest = {row["id"]: row for row in readings if row["digest"] == digest}
        [head] = standing([Reading(key, frozenset(row["replaces"])) for key, row in of_digest.items()]).heads
        folded[digest] = of_digest[head.id]
        assert folded[digest]["number"] == max(row["number"] for row in of_digest.values())
    shown = await rows_of(db, sa.select(image_custody))
    assert {row["digest"]: (row["number"], row["outcome"]) for row in shown} == {
        digest: (row["number"], row["outcome"]) for digest, row in folded.items()
    }
    assert sorted(row["outcome"] for row in folded.values()) == ["missing"] * 3 + ["sound"] * 3


async def test_p27_cut_short_and_empty_originals_are_told_apart_from_sound_ones(
    yard: Yard, db: Database, holding: Holding, s3: Any, settings: Settings
) -> None:
    nothing = yard.card(("A/1.JPG", b"", None), ("A/2.JPG", jpeg(2), None))
    await nothing.go_through()
    assert (await audit_all(db, holding))["sound"] == 2
    digest, body = hashlib.sha256(jpeg(2)).hexdigest(), jpeg(2)
    s3.put_object(Bucket=settings.s3_bucket, Key=yard.original(digest).key, Body=body[:-1])
    found = await holding.read_back(yard.original(digest), len(body))
    assert (found.outcome, found.told) == ("damaged", f"{len(body) - 1} bytes instead of {len(body)}")
    told = sightledger(settings, "audit", "--digest", digest, "--digest", "0" * 64)
    assert (told.returncode, told.stdout) == (1, "0 sound, 1 damaged, 0 missing, 0 unreadable\n")
    assert sightledger(settings, "audit", "--digest", digest).returncode == 3
    assert sightledger(settings, "audit", "--all", "--share").returncode == 2

"""Postgres killed between PUT and commit, and in the commit; the replica takes over; one of everything.

Primary and replica are real, of the embedded binaries. The primary waits for the replica at every commit
(synchronous_standby_names), which is what an operator must set for this promise.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import dataclass
from urllib.parse import quote

import psycopg
import pytest
import sqlalchemy as sa
from msgspec.structs import replace

from deploy.embedded.postgres import DATABASE, MIGRATIONS, SERVICE, Postgres
from service.database import migrate
from service.errors import Refusal
from service.images.store import images
from service.intake.store.tables import card_returns, receipts, sightings
from service.settings import Settings
from tests import engines
from tests.intake.factories import CardBack, Yard, claim, fresh_seed, jpeg, receipt_body, rows_of

pytestmark = pytest.mark.anyio


@dataclass
class Pair:
    primary: Postgres
    replica: Postgres

    @property
    def url(self) -> str:
        """As an operator writes it: both hosts, and only the one that takes writes."""
        ports = f"{self.primary.port},{self.replica.port}"
        login = f"{SERVICE}:{quote(self.primary.password, safe='')}"
        hosts = "host=127.0.0.1,127.0.0.1"
        return (
            f"postgresql+psycopg://{login}@/{DATABASE}?{hosts}&port={ports}&target_session_attrs=read-write"
        )

    def fail_over(self) -> None:
        self.primary.kill()
        self.replica.promote()


def superusers(server: Postgres) -> str:
    """The address for the driver, with the superuser's login."""
    return server.url_of(DATABASE).replace("+psycopg", "")


@pytest.fixture
async def pair(anyio_backend: str) -> AsyncIterator[Pair]:
    with engines.throwaway_folder() as folder:
        # With "on", an acknowledged commit is at the replica too.
        settings = {"synchronous_commit": "on"}
        primary = Postgres(folder / "primary", throwaway=True, settings=settings)
        with primary:
            await asyncio.to_thread(migrate, primary.url_of(MIGRATIONS))
            replica = await asyncio.to_thread(primary.replicate, folder / "replica")
            with replica:
                with psycopg.connect(superusers(primary), autocommit=True) as connection:
                    connection.execute("ALTER SYSTEM SET synchronous_standby_names = '*'")
                    connection.execute("SELECT pg_reload_conf()")
                yield Pair(primary, replica)


@pytest.fixture
def settings(pair: Pair, service_settings: Settings) -> Settings:
    return replace(service_settings, database_url=pair.url)


def some(yard: Yard) -> CardBack:
    seed = fresh_seed()
    return yard.card(*((f"A/{n}.JPG", jpeg(seed + n), claim(yard.inspection_id)) for n in range(5)))


async def carried_through(card: CardBack) -> bytes:
    """The same requests as an agent repeats them until they are answered."""
    for _ in range(40):
        try:
            await card.upload(await card.send_manifest())
            return await card.commit()
        except (sa.exc.DBAPIError, psycopg.Error, Refusal):
            await asyncio.sleep(0.1)
    raise AssertionError("the service did not come back by itself")


async def assert_one_of_everything(yard: Yard, card: CardBack, receipt: bytes) -> None:
    digests = [file.sha256 for file in card.files]
    held = await rows_of(yard.db, sa.select(images.c.digest).where(images.c.digest.in_(digests)))
    seen = await rows_of(yard.db, sa.select(sightings).where(sightings.c.card_return_id == card.id))
    back = await rows_of(yard.db, sa.select(card_returns).where(card_returns.c.id == card.id))
    kept = await rows_of(yard.db, sa.select(receipts).where(receipts.c.card_return_id == card.id))
    assert (len(held), len(seen), len(back), len(kept)) == (5, 5, 1, 1)
    assert bytes(kept[0]["body"]) == receipt
    assert {file.sha256 for file in receipt_body(receipt).files} == set(digests)
    for digest in digests:
        assert await yard.objects.read(yard.original(digest).key) == card.bodies[digest]
    assert await card.commit() == receipt


async def test_p04_the_primary_killed_between_put_and_commit_leaves_one_of_everything(
    yard: Yard, pair: Pair
) -> None:
    before = some(yard)
    issued = await carried_through(before)
    card = some(yard)
    await card.upload(await card.send_manifest())
    await asyncio.to_thread(pair.fail_over)
    receipt = await carried_through(card)
    await assert_one_of_everything(yard, card, receipt)
    assert await before.commit() == issued, "an acknowledged receipt is the same bytes after the failover"
    await assert_one_of_everything(yard, before, issued)


async def test_p04_the_primary_killed_in_mid_commit_leaves_one_of_everything(yard: Yard, pair: Pair) -> None:
    """A row of the card return is held by somebody else, so that the commit is caught half way."""
    card = some(yard)
    await card.upload(await card.send_manifest())
    held = await psycopg.AsyncConnection.connect(superusers(pair.primary))
    await held.execute("LOCK TABLE receipts IN ACCESS EXCLUSIVE MODE")
    commit = asyncio.create_task(card.commit())
    async with await psycopg.AsyncConnection.connect(superusers(pair.primary)) as watching:
        for _ in range(200):
            waiting = await watching.execute("SELECT count(*) FROM pg_locks WHERE NOT granted")
            if (await waiting.fetchone() or [0])[0]:
                break
            await asyncio.sleep(0.02)
        else:
            raise AssertionError("the commit never came to the receipt")
    await asyncio.to_thread(pair.fail_over)
    with pytest.raises((sa.exc.DBAPIError, psycopg.Error)):
        await commit
    await held.close()
    receipt = await carried_through(card)
    await assert_one_of_everything(yard, card, receipt)


async def test_p04_a_server_that_turned_replica_is_left_by_itself(yard: Yard, pair: Pair) -> None:
    """Its connections answer and refuse writes; the pool must not go on handing them out."""
    async with yard.db.begin() as connection:
        port = await connection.scalar(sa.text("SELECT inet_server_port()"))
    assert port == pair.primary.port
    with psycopg.connect(superusers(pair.primary), autocommit=True) as connection_now:
        connection_now.execute("ALTER SYSTEM SET default_transaction_read_only = on")
        connection_now.execute("SELECT pg_reload_conf()")
    await asyncio.to_thread(pair.replica.promote)
    card = some(yard)
    await assert_one_of_everything(yard, card, await carried_through(card))

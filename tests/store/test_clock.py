"""The store's time: what is signed bears it, whatever this machine's clock says."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from unittest.mock import patch

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st

import service.objects.clock
from service.errors import Unavailable
from service.objects import Objects, ObjectSettings, Original
from service.objects.clock import StoreClock

pytestmark = pytest.mark.anyio

WRONG = [timedelta(hours=-2), timedelta(hours=2), timedelta(days=365), timedelta(days=-365)]


class _Shifted(datetime):
    """This machine's clock, wrong by `by`: datetime.now is where all of it is read."""

    by = timedelta()

    @classmethod
    def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
        return datetime.now(tz) + cls.by  # type: ignore[arg-type]


@contextmanager
def clock_wrong_by(by: timedelta) -> Iterator[None]:
    """The service's own code and boto3 both see a clock that is wrong by so much."""
    shifted = type("Shifted", (_Shifted,), {"by": by})

    def boto_now(remove_tzinfo: bool = True) -> datetime:
        now = datetime.now(UTC) + by
        return now.replace(tzinfo=None) if remove_tzinfo else now

    with (
        patch.object(service.objects.clock, "datetime", shifted),
        patch("botocore.auth.get_current_datetime", boto_now),
    ):
        yield


@pytest.mark.parametrize("by", WRONG, ids=str)
async def test_p26_tickets_of_a_service_with_a_wrong_clock_are_good_for_their_time_and_no_longer(
    bucket: ObjectSettings, web: httpx.Client, by: timedelta
) -> None:
    with clock_wrong_by(by), closing(Objects(bucket)) as objects:
        data = os.urandom(1000)
        digest = hashlib.sha256(data).hexdigest()
        expires_at = await objects.now() + timedelta(seconds=60)
        assert abs(expires_at - datetime.now(UTC)) < timedelta(seconds=90)
        ticket = objects.presign_put(Original("S1", digest), len(data), None, 60)
        assert web.put(ticket.url, headers=ticket.headers, content=data).status_code == 200
        # The time in the address is the store's, so it cannot outlast what the store is told there.
        signed = datetime.strptime(httpx.URL(ticket.url).params["X-Amz-Date"], "%Y%m%dT%H%M%S%z")
        assert abs(signed - datetime.now(UTC)) < timedelta(seconds=30)


@pytest.mark.parametrize("by", WRONG, ids=str)
async def test_p26_a_service_with_a_wrong_clock_reads_and_writes_the_store_at_its_first_try(
    bucket: ObjectSettings, by: timedelta
) -> None:
    with clock_wrong_by(by), closing(Objects(bucket)) as objects:
        await objects.write("derived/clock", b"in time", "text/plain")
        assert await objects.read("derived/clock") == b"in time"
    with clock_wrong_by(by), closing(Objects(bucket)) as objects:
        found = await objects.stat("derived/clock")
        assert found is not None
        assert found.size == 7
    with clock_wrong_by(by), closing(Objects(bucket)) as objects:
        assert await objects.ready()


async def test_p26_a_clock_that_jumps_while_the_service_runs_moves_no_ticket(bucket: ObjectSettings) -> None:
    with closing(Objects(bucket)) as objects:
        await objects.now()
        for by in WRONG:
            with clock_wrong_by(by):
                assert abs(objects.clock.now() - datetime.now(UTC)) < timedelta(seconds=30)


async def test_p26_wrong_keys_are_still_refused_however_the_clock_stands(bucket: ObjectSettings) -> None:
    wrong = ObjectSettings(
        bucket.endpoint, bucket.endpoint, bucket.region, bucket.bucket, bucket.access_key, "not the secret"
    )
    with clock_wrong_by(timedelta(hours=2)), closing(Objects(wrong)) as objects:
        with pytest.raises(Unavailable):
            await objects.stat(Original("S1", "ab" * 32).key)
        with pytest.raises(Unavailable):
            await objects.read("derived/clock")


async def test_a_store_that_does_not_answer_leaves_the_time_of_this_machine(bucket: ObjectSettings) -> None:
    dead = ObjectSettings("http://127.0.0.1:1", "http://127.0.0.1:1", "us-east-1", bucket.bucket, "k", "s")
    with closing(Objects(dead)) as objects:
        assert abs(await objects.now() - datetime.now(UTC)) < timedelta(seconds=10)


@given(st.datetimes(datetime(1971, 1, 1), datetime(9998, 12, 31)))  # noqa: DTZ001
def test_p26_any_date_the_store_tells_is_taken_to_the_second(told: datetime) -> None:
    told = told.replace(microsecond=0, tzinfo=UTC)
    clock = StoreClock()
    assert clock.learn(f"{told:%a, %d %b %Y %H:%M:%S GMT}") == (
        abs(told - datetime.now(UTC)) > timedelta(seconds=30)
    )
    assert timedelta() <= clock.now() - told < timedelta(seconds=5)


@pytest.mark.parametrize("date", [None, "", "yesterday", "Wed, 99 Oct 2026 07:28:00 GMT", "0"])
def test_what_is_no_date_is_ignored(date: str | None) -> None:
    clock = StoreClock()
    assert not clock.learn(date)
    assert abs(clock.now() - datetime.now(UTC)) < timedelta(seconds=5)


def test_a_date_as_published_is_understood() -> None:
    """RFC 9110 5.6.7: the example "Sun, 06 Nov 1994 08:49:37 GMT" (typed from memory of it)."""
    clock = StoreClock()
    clock.learn("Sun, 06 Nov 1994 08:49:37 GMT")
    assert clock.now() - datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC) < timedelta(seconds=5)

"""What the store lost is sent again from the spool; what the spool lost as well is told once, all of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from typing import Any
from uuid import UUID

import pytest

from agent.errors import AgentError
from agent.outbox import card_return, returns
from agent.sync.progress import PushProgress, text_of
from agent.sync.push import Pusher
from agent.workstation import Workstation
from service.contract.cards import LEAST_PART
from service.objects import Original
from tests.intake.protocol import random_bytes, worker_status
from tests.link.far import Far
from tests.live_service import client_of


@pytest.fixture(autouse=True)
def small_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """A card of a few files goes in several parts, as one of thousands does."""
    monkeypatch.setattr(returns, "CUT", card_return.Cut(2, 1))


@pytest.fixture
def s3(far: Far) -> Iterator[Any]:
    with closing(client_of(far.service.settings)) as client:
        yield client


def digests(far: Far, return_id: UUID) -> list[str]:
    with Workstation(far.state) as station:
        return [file.sha256 for file in station.outbox.files.of(return_id)]


def copied(far: Far, among: list[str]) -> set[str]:
    """Those of the digests of which the outbox says that they lie in the spool."""
    with Workstation(far.state) as station:
        found = {digest: station.outbox.originals.find(digest) for digest in among}
    return {digest for digest, original in found.items() if original is not None and original.spooled_at}


def lose(far: Far, lost: list[str]) -> None:
    with Workstation(far.state) as station:
        for digest in lost:
            station.spool.remove(digest)


def test_p27_what_the_spool_lost_in_several_parts_is_told_once_and_one_reading_mends_it(far: Far) -> None:
    first = far.read(9)
    held = digests(far, first)
    lost = [held[0], held[3], held[4], held[8]]
    lose(far, lost)
    with far.pusher() as pusher, pytest.raises(AgentError, match="4 files are no longer in the spool"):
        pusher.push(first)
    assert copied(far, held) == set(held) - set(lost)
    assert far.to_store.count("PUT") >= 5, "the others went all the same"
    second = far.read_card()
    assert copied(far, held) == set(held)
    with far.pusher() as pusher:
        pusher.push(first)
        pusher.push(second)
    assert far.rows(first) == far.rows(second) == (9, 9, 1)


def losing_in_store(pusher: Pusher, s3: Any, far: Far, gone: list[str]) -> None:
    """The store loses these as soon as everything is sent, once."""
    commit, bucket = pusher.service.commit, far.service.settings.s3_bucket
    lost = [Original(far.site, digest) for digest in gone]

    def late(*arguments: Any) -> Any:
        while lost:
            s3.delete_object(Bucket=bucket, Key=lost.pop().key)
        return commit(*arguments)

    pusher.service.commit = late  # type: ignore[method-assign]


def test_p20_what_the_store_lost_before_the_commit_is_sent_again_whoever_brought_it(
    far: Far, s3: Any
) -> None:
    bucket = far.service.settings.s3_bucket
    with far.pusher() as pusher:
        pusher.push(far.read(3))
    again = far.read(4)
    held = digests(far, again)
    gone = [held[0], held[2], held[5], held[6]]
    with far.pusher() as pusher:
        losing_in_store(pusher, s3, far, gone)
        receipt = pusher.push(again)
    assert {file.sha256 for file in receipt.files} == set(held)
    for digest in held:
        assert s3.head_object(Bucket=bucket, Key=Original(far.site, digest).key)
    assert far.rows(again) == (7, 7, 1)


def test_p27_what_store_and_spool_lost_over_all_parts_is_told_once(far: Far, s3: Any) -> None:
    return_id = far.read(9)
    held = digests(far, return_id)
    gone, lost = held[:8], [held[1], held[2], held[5], held[7]]
    with far.pusher() as pusher:
        losing_in_store(pusher, s3, far, gone)
        real = pusher.service.commit

        def commit(*arguments: Any) -> Any:
            lose(far, lost)
            return real(*arguments)

        pusher.service.commit = commit  # type: ignore[method-assign]
        with pytest.raises(AgentError, match="4 files are no longer in the spool"):
            pusher.push(return_id)
    assert copied(far, held) == set(held) - set(lost)
    far.read_card()
    with far.pusher() as pusher:
        pusher.push(return_id)
    assert far.rows(return_id) == (9, 9, 1)


def test_nobody_asks_for_a_check_on_the_way_and_who_waits_for_reading_back_asks_for_nothing_else(
    far: Far, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("agent.sync.push.PATIENCE", 0.3)
    far.put("02 B/TWVS0009.MP4", random_bytes(2 * LEAST_PART))
    return_id = far.read(7)
    looks: list[PushProgress] = []
    monkeypatch.setattr("agent.sync.push.NOTE_EVERY", 0.05)
    for _ in range(3):
        with far.pusher() as pusher:
            pusher.show = looks.append
            with pytest.raises(AgentError, match="reading 1 large files back"):
                pusher.push(return_id)
    assert far.to_service.count("POST", f"{return_id}/parts/") == 0
    parts = [line for line in list(far.to_service.requests) if f"{return_id}/parts/" in line]
    assert len(parts) == 5, "sent once, and not again"
    told = [text_of(look) for look in looks]
    assert any("everything is sent, the service is reading 1 large files back" in text for text in told)
    assert not [text for text in told if "about 0 s left" in text]
    assert worker_status(far.service.settings) == 0
    with far.pusher() as pusher:
        pusher.push(return_id)
    assert far.to_service.count("POST", f"{return_id}/parts/") == 0
    assert far.rows(return_id) == (8, 8, 1)

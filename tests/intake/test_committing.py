"""A commit that takes longer than the caller waits goes on, once, and its end is told to who asks again."""

from __future__ import annotations

import asyncio

import msgspec
import pytest

from service.intake.actions.committing import Commits
from tests.intake.factories import Yard, claim, fresh_seed, jpeg, receipt_body
from tests.intake.protocol import JSON, Sender, work_off
from tests.live_service import Running, token_of_agent

pytestmark = pytest.mark.anyio


class Work:
    """A commit that ends when the test says so."""

    def __init__(self) -> None:
        self.begun, self.may_end = 0, asyncio.Event()
        self.fault: Exception | None = None

    async def __call__(self) -> bytes:
        self.begun += 1
        await self.may_end.wait()
        if self.fault is not None:
            raise self.fault
        return b"receipt"


async def test_i8_a_commit_under_way_is_not_begun_again_and_its_end_is_told_to_everybody() -> None:
    commits, work = Commits(), Work()
    assert await commits.receipt(("a",), work, 0) is None
    asked = [asyncio.create_task(commits.receipt(("a",), work, patience)) for patience in (None, 30)]
    await asyncio.sleep(0)
    work.may_end.set()
    assert await asyncio.gather(*asked) == [b"receipt"] * 2
    assert work.begun == 1
    assert await commits.receipt(("b",), work, 30) == b"receipt"
    assert work.begun == 2, "another commit is another"


async def test_a_commit_that_failed_says_so_to_who_asks_next_and_is_then_begun_again() -> None:
    commits, work = Commits(), Work()
    work.fault = ValueError("no")
    assert await commits.receipt(("a",), work, 0) is None
    work.may_end.set()
    await asyncio.sleep(0.01)
    with pytest.raises(ValueError, match="no"):
        await commits.receipt(("a",), work, 30)
    assert work.begun == 1
    work.fault = None
    assert await commits.receipt(("a",), work, 30) == b"receipt"
    assert work.begun == 2


async def test_a_caller_that_goes_away_breaks_off_no_commit_and_a_service_that_ends_breaks_off_all() -> None:
    commits, work = Commits(), Work()
    asked = asyncio.create_task(commits.receipt(("a",), work, None))
    await asyncio.sleep(0.01)
    asked.cancel()
    assert await commits.receipt(("a",), work, 0) is None
    assert work.begun == 1
    await commits.close()
    work.may_end.set()
    assert await commits.receipt(("a",), work, 30) == b"receipt", "what was broken off is begun again"
    assert work.begun == 2


@pytest.mark.parametrize(
    ("prefer", "statuses"),
    [
        ("respond-async, wait=0", {202, 200}),
        ("respond-async; foo, bar", {202, 200}),
        ('wait="0",Respond-Async', {202, 200}),
        ("respond-async, wait=60", {200}),
        ("respond-async, wait=60, wait=0", {200}),  # the first of a name counts
        ("wait=0", {200}),
        ("respond-async=no", {200}),
        ("", {200}),
    ],
)
async def test_i8_the_commit_answers_as_the_caller_prefers(
    yard: Yard, service: Running, prefer: str, statuses: set[int]
) -> None:
    """RFC 7240: 2 (what is not understood is passed over), 4.1, 4.3."""
    seed = fresh_seed()
    card = yard.card(*[(f"A/{n}.JPG", jpeg(seed + n), claim(yard.inspection_id)) for n in range(3)])
    client = service.client(token_of_agent(service.settings, yard.made.site)[1])
    sender = Sender(card, client, lambda: work_off(yard))
    sender.open()
    await card.upload(sender.part(0).lacking)
    body = msgspec.json.encode(card.closing())
    seen = set()
    while 200 not in seen:
        answer = client.post(f"{sender.path}/commit", content=body, headers={**JSON, "Prefer": prefer})
        seen.add(answer.status_code)
        if answer.status_code == 202:
            assert answer.content == b""
            assert answer.headers["preference-applied"] == "respond-async"
    assert seen == statuses
    assert len(receipt_body(answer.content).files) == 3
    assert sender.commit() == answer.content

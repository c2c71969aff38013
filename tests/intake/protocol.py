"""A sender goes through the whole protocol over HTTP, as an agent does; every step may be repeated."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from collections.abc import Awaitable, Callable
from contextlib import closing
from dataclasses import dataclass

import httpx
import msgspec

from service.contract.cards import LargeAnswer, LargeParts, PartAnswer, part_size
from service.images.actions import tasks as thumbnail_tasks
from service.images.looking import Looker
from service.intake.actions.large import tasks as large_tasks
from service.jobs import open_queue, work
from service.settings import Settings
from tests.intake.factories import CardBack, Yard
from tests.live_service import ROOT, environment_of

JSON = {"Content-Type": "application/json"}


def random_bytes(size: int) -> bytes:
    return os.urandom(size)


def large_parts(data: bytes) -> LargeParts:
    """Returns a true description of a large file."""
    each = part_size(len(data))
    pieces = (data[start : start + each] for start in range(0, len(data), each))
    return LargeParts(size=len(data), parts=[hashlib.sha256(piece).hexdigest() for piece in pieces])


def put_parts(answer: LargeAnswer, data: bytes, only: int | None = None) -> list[int]:
    """PUTs the (first `only`) parts for which there are tickets and returns the statuses."""
    statuses = []
    with httpx.Client(timeout=60, trust_env=False) as store:
        for ticket in answer.tickets[:only]:
            piece = data[ticket.offset : ticket.offset + ticket.size]
            statuses.append(store.put(ticket.url, headers=ticket.headers, content=piece).status_code)
    return statuses


def worker_status(settings: Settings, **environment: str) -> int:
    """Lets a worker in its own process do what waits; returns its exit status (-N: signal N ended it)."""
    done = subprocess.run(
        [sys.executable, "-m", "service", "worker", "--until-empty"],
        env=environment_of(settings, **environment),
        cwd=ROOT,
        capture_output=True,
        timeout=120,
        check=False,
    )
    return done.returncode


async def work_off(yard: Yard) -> None:
    """Does in this process what is waiting."""
    queue = open_queue(yard.settings.database_url, {"images": thumbnail_tasks, "intake": large_tasks})
    with closing(Looker()) as looker:
        await work(queue, {"db": yard.db, "objects": yard.objects, "looker": looker}, wait=False)


@dataclass
class Sender:
    """Sends `card` to the service behind `client`; files above `LARGE_FROM` go by parts."""

    card: CardBack
    client: httpx.Client
    work: Callable[[], Awaitable[object]]

    @property
    def path(self) -> str:
        return f"/api/v1/card-returns/{self.card.id}"

    def _asked(self, answer: httpx.Response) -> bytes:
        assert answer.status_code == 200, answer.text
        return answer.content

    def _put(self, path: str, body: msgspec.Struct) -> bytes:
        return self._asked(
            self.client.put(f"{self.path}{path}", content=msgspec.json.encode(body), headers=JSON)
        )

    def open(self) -> None:
        self._put("", self.card.opening)

    def part(self, number: int) -> PartAnswer:
        """Puts one part; the first brings the opening, as an agent's does."""
        part = self.card.parts[number]
        if number == 0:
            part = msgspec.structs.replace(part, opening=self.card.opening)
        return msgspec.json.decode(self._put(f"/parts/{number}", part), type=PartAnswer)

    def check(self, number: int) -> PartAnswer:
        body = self._asked(self.client.post(f"{self.path}/parts/{number}/check"))
        return msgspec.json.decode(body, type=PartAnswer)

    def large(self, digest: str) -> LargeAnswer:
        body = self._put(f"/large/{digest}", large_parts(self.card.bodies[digest]))
        return msgspec.json.decode(body, type=LargeAnswer)

    async def send_large(self, digest: str, turns: int = 5) -> None:
        """Sends until the file is verified. Each turn sends what is asked for, then lets a worker work."""
        for _ in range(turns):
            answer = self.large(digest)
            if answer.state == "verified":
                return
            if answer.state == "verifying":
                await self.work()
            assert set(put_parts(answer, self.card.bodies[digest])) <= {200}
        raise AssertionError(f"not verified: {answer}")

    def commit(self) -> bytes:
        body = msgspec.json.encode(self.card.closing())
        return self._asked(self.client.post(f"{self.path}/commit", content=body, headers=JSON))

    async def send(self) -> bytes:
        """Sends the whole card and returns the receipt."""
        for number in range(len(self.card.parts)):
            answer = self.part(number)
            assert set(await self.card.upload(answer.lacking)) <= {200, 412}
            for file in answer.large:
                await self.send_large(file.sha256)
            answer = self.check(number)
            assert (answer.lacking, answer.large) == ([], [])
        return self.commit()

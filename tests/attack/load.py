"""Attacks that try to stall the service or to swell it, with honest users beside.

Each is an async function that attacks until it is told to end, and answers what came of it, in words. In
full form twenty honest users wait at most three times as long as in quiet, and the service stays below
600 MB.
"""

from __future__ import annotations

import asyncio
import gzip
import json
import secrets
from collections import Counter
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass
from urllib.parse import urlsplit

import httpx
from argon2 import PasswordHasher

from service.access.rules import Role
from tests.attack.crowd import Crowd
from tests.bench.memory import peak, under
from tests.live_service import Running, execute, token_of_person

MOST_RATIO, MOST_MB = 3.0, 600.0
# A wait this short is none, whatever it is compared with.
NO_WAIT_S = 0.05

Attack = Callable[[Running, asyncio.Event, int], Awaitable[str]]


@dataclass(frozen=True)
class Figure:
    """What honest users wait for 95 of 100 answers, in quiet and under the attack, in seconds; and the most
    memory that the service took, in MB."""

    name: str
    quiet: float
    attacked: float
    peak_mb: float
    remark: str

    @property
    def holds(self) -> bool:
        return self.attacked <= max(MOST_RATIO * self.quiet, NO_WAIT_S) and self.peak_mb < MOST_MB

    def __str__(self) -> str:
        return (
            f"{self.name}: p95 {self.quiet * 1000:.0f} ms in quiet, {self.attacked * 1000:.0f} ms under"
            f" attack; service at most {self.peak_mb:.0f} MB ({self.remark})"
        )


def measured(name: str, service: Running, size: int, users: int, seconds: float) -> Figure:
    token = token_of_person(service.settings, [str(Role.AUDITOR)])[1]
    Crowd(service.url, token, users, 2).waits()
    quiet = _p95(Crowd(service.url, token, users, seconds).waits())
    crowd = Crowd(service.url, token, users, seconds)
    remark = asyncio.run(_attacked(ATTACKS[name], service, size, seconds))
    attacked = _p95(crowd.waits())
    most = max(map(peak, under(service.child.pid)))
    return Figure(name, quiet, attacked, most, remark)


async def _attacked(attack: Attack, service: Running, size: int, seconds: float) -> str:
    over = asyncio.Event()
    asyncio.get_running_loop().call_later(seconds, over.set)
    return await attack(service, over, size)


def _p95(waits: list[float]) -> float:
    return sorted(waits)[int(0.95 * (len(waits) - 1))]


async def _answers(send: Callable[[], Awaitable[int]], over: asyncio.Event, size: int) -> Counter[int]:
    """`size` attackers repeat one request until it is over; how often each status came. 0: no answer."""
    came: Counter[int] = Counter()

    async def attacker() -> None:
        while not over.is_set():
            try:
                came[await send()] += 1
            except (httpx.HTTPError, OSError):
                came[0] += 1
                await asyncio.sleep(0.01)

    await asyncio.gather(*(attacker() for _ in range(size)))
    return came


def _in_words(came: Counter[int]) -> str:
    return ", ".join(f"{number} x {status or 'no answer'}" for status, number in sorted(came.items()))


async def packed_bodies(service: Running, over: asyncio.Event, size: int) -> str:
    """CWE-409: nobody in particular sends some 10 kB that unpack to 10 MB."""
    bomb = gzip.compress(b'{"login":"' + b"a" * 9_900_000 + b'","password":"b"}', 9)
    headers = {"Content-Encoding": "gzip", "Content-Type": "application/json"}
    async with httpx.AsyncClient(base_url=service.url, timeout=60, limits=_ANY) as client:

        async def send() -> int:
            return (await client.post("/api/v1/sessions", content=bomb, headers=headers)).status_code

        return f"{len(bomb)} B each: {_in_words(await _answers(send, over, size))}"


async def unfinished_requests(service: Running, over: asyncio.Event, size: int) -> str:
    """CWE-400: connections on which half a header or half a body came, and nothing more."""
    at = urlsplit(service.url)
    begun = b"POST /api/v1/sessions HTTP/1.1\r\nHost: a\r\nContent-Type: application/json\r\n"
    halves = [begun + b"Content-Length: 90\r\n\r\n{", begun + b"X-Half: "]
    closed: Counter[int] = Counter()

    async def connection(kind: int) -> None:
        reader, writer = await asyncio.open_connection(at.hostname, at.port)
        try:
            with suppress(OSError):
                writer.write(halves[kind])
                await writer.drain()
                while await reader.read(4096):
                    pass
            closed[kind] += 1
        finally:
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()

    connections = [asyncio.create_task(connection(number % 2)) for number in range(size)]
    await over.wait()
    for waiting in connections:
        waiting.cancel()
    await asyncio.gather(*connections, return_exceptions=True)
    return (
        f"of {size} connections {closed[0]} with half a body and {closed[1]} with half a header were closed"
    )


async def password_changes(service: Running, over: asyncio.Event, size: int) -> str:
    """CWE-770: signed-in people change their passwords, each of which costs 64 MiB and a core for a while."""
    secret = "a long password to be changed"
    hashed = PasswordHasher().hash(secret)
    people = [token_of_person(service.settings, [str(Role.AUDITOR)]) for _ in range(size)]
    ids = [account_id for account_id, _ in people]
    execute(service.settings, "UPDATE accounts SET password_hash = %s WHERE id = ANY(%s)", hashed, ids)
    turns = iter(range(10**9))
    async with httpx.AsyncClient(base_url=service.url, timeout=60, limits=_ANY) as client:

        async def send() -> int:
            account_id, token = people[next(turns) % size]
            change = {"current": secret, "new": secrets.token_urlsafe(12)}
            path = f"/api/v1/accounts/{account_id}/password"
            answer = await client.put(path, json=change, headers={"Authorization": f"Bearer {token}"})
            return answer.status_code

        return _in_words(await _answers(send, over, size))


async def plan_checks(service: Running, over: asyncio.Event, size: int) -> str:
    """CWE-407: documents that are as large as may be, to be checked by whoever may write plans."""
    element = {"key": "A", "name": "n" * 100, "pictures": {"required": 1}}
    document = json.dumps({"plan": "x", "sections": [{"locations": [element] * 20_000}]}).encode()
    token = token_of_person(service.settings, [str(Role.AUTHOR)])[1]
    headers = {"Authorization": f"Bearer {token}"}
    async with httpx.AsyncClient(base_url=service.url, timeout=60, limits=_ANY) as client:

        async def send() -> int:
            answer = await client.post("/api/v1/plan-checks", content=document, headers=headers)
            return answer.status_code

        return f"{len(document) / 1e6:.1f} MB each: {_in_words(await _answers(send, over, size))}"


_ANY = httpx.Limits(max_connections=None, max_keepalive_connections=0)
ATTACKS: dict[str, Attack] = {
    attack.__name__.replace("_", "-"): attack
    for attack in (packed_bodies, unfinished_requests, password_changes, plan_checks)
}

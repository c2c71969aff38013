"""Honest users, in a process of their own: URL USERS SECONDS, with a session's token on standard input.

Each asks for one thing after the other with a pause between, as people do. It prints the seconds of every
answer as a JSON list; what was no answer, or an answer of failure, counts as forever.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
from itertools import cycle, islice

import httpx

from tests.live_service import ROOT

PATHS = (
    "/api/v1/completion",
    "/api/v1/units?limit=20",
    "/api/v1/callers/me",
    "/api/v1/card-returns?limit=20",
)
PAUSE_S = 0.5
FOREVER_S = 60.0


class Crowd:
    """Users who began to work when this was made; `seconds` later each of their waits is known."""

    def __init__(self, url: str, token: str, users: int, seconds: float) -> None:
        command = [sys.executable, "-m", "tests.attack.crowd", url, str(users), str(seconds)]
        self._process = subprocess.Popen(
            command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self._process.stdin is not None
        self._process.stdin.write(f"{token}\n")
        self._process.stdin.close()
        self._process.stdin = None

    def waits(self) -> list[float]:
        printed, _ = self._process.communicate(timeout=600)
        assert self._process.returncode == 0, "the crowd ended early"
        found: list[float] = json.loads(printed)
        return found


async def _user(client: httpx.AsyncClient, number: int, until: float, waits: list[float]) -> None:
    await asyncio.sleep(PAUSE_S * (number % 10) / 10)
    for path in islice(cycle(PATHS), number, None):
        if time.monotonic() >= until:
            return
        asked = time.perf_counter()
        try:
            answered = (await client.get(path)).status_code < 400
        except httpx.HTTPError:
            answered = False
        waits.append(time.perf_counter() - asked if answered else FOREVER_S)
        await asyncio.sleep(PAUSE_S)


async def _work(url: str, token: str, users: int, seconds: float) -> list[float]:
    waits: list[float] = []
    until = time.monotonic() + seconds
    headers = {"Authorization": f"Bearer {token}"}
    async with httpx.AsyncClient(base_url=url, headers=headers, timeout=FOREVER_S) as client:
        await asyncio.gather(*(_user(client, number, until, waits) for number in range(users)))
    return waits


if __name__ == "__main__":
    told = asyncio.run(_work(sys.argv[1], sys.stdin.readline().strip(), int(sys.argv[2]), float(sys.argv[3])))
    print(json.dumps(told))

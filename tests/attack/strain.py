"""What an attack does to others: how long honest requests wait, and what memory the service takes."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from tests.live_service import Running

MB = 1024 * 1024


@dataclass
class Strain:
    """`waits`: seconds that each honest request took."""

    waits: list[float] = field(default_factory=list)

    @property
    def longest(self) -> float:
        return max(self.waits)


@contextmanager
def honest_requests(service: Running, token: str | None = None) -> Iterator[Strain]:
    """Asks again and again while the block runs, by a connection of its own; with a token for what needs the
    database."""
    strain, ended = Strain(), threading.Event()
    path = "/api/v1/keys" if token is None else "/api/v1/callers/me"
    headers = {} if token is None else {"Authorization": f"Bearer {token}"}

    def ask() -> None:
        with httpx.Client(base_url=service.url, timeout=60, headers=headers) as client:
            while not ended.is_set():
                begun = time.monotonic()
                client.get(path).raise_for_status()
                strain.waits.append(time.monotonic() - begun)
                ended.wait(0.05)

    asking = threading.Thread(target=ask)
    asking.start()
    try:
        yield strain
    finally:
        ended.set()
        asking.join()


def memory_of(service: Running) -> float:
    """Megabytes that the service's processes hold in memory (VmRSS of proc(5))."""
    return sum(_resident(process) for process in _with_children(service.child.pid)) / MB


def _with_children(process: int) -> list[int]:
    children = Path(f"/proc/{process}/task/{process}/children").read_text().split()
    return [process, *(deeper for child in children for deeper in _with_children(int(child)))]


def _resident(process: int) -> int:
    lines = Path(f"/proc/{process}/status").read_text().splitlines()
    named = dict(line.split(":", 1) for line in lines if ":" in line)
    return int(named.get("VmRSS", "0 kB").split()[0]) * 1024

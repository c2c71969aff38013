"""A service over a database of fleet size, and psql beside it on the same database."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

from deploy.embedded.postgres import DATABASE
from deploy.stack import Stack
from tests.bench.card import ACCOUNTS, enrolled
from tests.bench.figures import seconds

TIMED = re.compile(r"^Time: ([0-9.]+) ms", re.MULTILINE)


@dataclass
class Fleet:
    stack: Stack
    client: httpx.Client

    def get(self, path: str) -> float:
        """Returns the seconds of one GET, answered and read."""
        return seconds(lambda: self.client.get(f"/api/v1{path}").raise_for_status().content)

    def psql(self, query: str) -> float:
        """Returns the seconds of the query by psql's own timing: sent, run, fetched."""
        printed = psql(self.stack, "-c", "\\timing on", "-c", query)
        return float(TIMED.findall(printed)[-1]) / 1000


def psql(stack: Stack, *words: str) -> str:
    url = stack.postgres.url_of(DATABASE).replace("postgresql+psycopg", "postgresql")
    return stack.postgres.run("psql", "-X", "-v", "ON_ERROR_STOP=1", *words, url)


@contextmanager
def fleet(folder: Path, *, units: int, locations: int, images: int) -> Iterator[Fleet]:
    """Yields the stack with the invented fleet, grown to this size."""
    with (
        enrolled(folder, full=False) as (stack, _),
        grown(stack, units=units, locations=locations, images=images) as found,
    ):
        yield found


@contextmanager
def grown(stack: Stack, *, units: int, locations: int, images: int) -> Iterator[Fleet]:
    """Puts so much more into a stack that holds the invented fleet and an agent."""
    script = Path(__file__).with_name("fleet.sql").read_text()
    for name, size in {"units": units, "locations": locations, "images": images}.items():
        script = script.replace(f":{name}", str(size))
    psql(stack, "-c", script, "-c", Path(__file__).with_name("rollup.sql").read_text())
    with httpx.Client(base_url=stack.url, timeout=120) as client:
        who = {"login": "fairlamb", "password": ACCOUNTS["fairlamb"]}
        signed_in = client.post("/api/v1/sessions", json=who).raise_for_status()
        client.headers["Authorization"] = f"Bearer {signed_in.json()['token']}"
        yield Fleet(stack, client)

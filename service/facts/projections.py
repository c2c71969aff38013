"""State kept beside the facts it follows from: one protocol for all of it, and its recount.

Whoever appends facts locks the keys they concern, appends, and lets the projection `settle`: what follows
from the facts is folded from all of them and written where it differs. A recount does the same over all.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.database import Database

K = TypeVar("K")

# What is kept, or would have to be, by the name of each value.
State = Mapping[Any, Any]


class Projection(Protocol[K]):
    """`name` is what an operator calls it. Every method works in the caller's transaction."""

    name: str

    async def keys(self, connection: AsyncConnection, after: K | None) -> Sequence[K]:
        """The next keys in ascending order; empty when there are no more."""
        ...

    async def lock(self, connection: AsyncConnection, keys: Collection[K]) -> None:
        """Keep everybody else from changing these, or facts about them, until the transaction ends."""
        ...

    async def kept(self, connection: AsyncConnection, keys: Collection[K]) -> dict[K, State]:
        """What is kept of each key."""
        ...

    async def fold(self, connection: AsyncConnection, keys: Collection[K]) -> dict[K, State]:
        """What follows of each key from the facts, and from projections that are recounted before this."""
        ...

    async def write(self, connection: AsyncConnection, states: Mapping[K, State]) -> None:
        """Keep these states, touching only what differs; the keys are locked."""
        ...

    def named(self, key: K) -> str:
        """The key, as an operator reads it."""
        ...


@dataclass(frozen=True, slots=True)
class Difference:
    """One value that is kept and does not follow from the facts."""

    projection: str
    key: str
    value: Any
    kept: Any
    follows: Any

    def __str__(self) -> str:
        value = " ".join(map(str, self.value)) if isinstance(self.value, tuple) else self.value
        return f"{self.projection}: {self.key}: {value}: kept {self.kept!r}, follows {self.follows!r}"


async def settle(
    connection: AsyncConnection, projection: Projection[K], keys: Collection[K]
) -> dict[K, State]:
    """Write what follows from all facts of these keys, which are locked, after some were appended; what
    follows."""
    folded = await projection.fold(connection, keys)
    await projection.write(connection, folded)
    return folded


async def differences(
    connection: AsyncConnection, projection: Projection[K], keys: Collection[K]
) -> tuple[list[Difference], dict[K, State]]:
    """Where what is kept of these keys does not follow from the facts, and the states that do."""
    kept = await projection.kept(connection, keys)
    folded = await projection.fold(connection, keys)
    found: list[Difference] = []
    wrong: dict[K, State] = {}
    for key, state in folded.items():
        before = kept.get(key, {})
        apart = [name for name in {**before, **state} if before.get(name) != state.get(name)]
        found += [
            Difference(projection.name, projection.named(key), name, before.get(name), state.get(name))
            for name in apart
        ]
        if apart:
            wrong[key] = state
    return found, wrong


async def recount(
    db: Database, projection: Projection[K], *, repair: bool = False
) -> AsyncIterator[tuple[int, list[Difference]]]:
    """Fold everything again, some keys per transaction: how many keys, and what differed among them.

    With `repair` what differs is written anew, under the locks that those take who append facts.
    """
    after: K | None = None
    while True:
        async with db.begin() as connection:
            if not repair:
                await use_one_snapshot(connection)
            keys = await projection.keys(connection, after)
            if not keys:
                return
            if repair:
                await projection.lock(connection, keys)
            found, wrong = await differences(connection, projection, keys)
            if repair and wrong:
                await projection.write(connection, wrong)
        after = keys[-1]
        yield len(keys), found


async def use_one_snapshot(connection: AsyncConnection) -> None:
    """Make the whole transaction see one instant; a comparison calls this first."""
    await connection.execute(sa.text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY"))

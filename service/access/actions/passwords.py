"""Passwords: what is kept of them. The work is done outside of any transaction, and little of it at once."""

from __future__ import annotations

import os
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import TypeVar
from uuid import UUID

import anyio
from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from service.access.rules import password_fault
from service.errors import Invalid, TooMany

T = TypeVar("T")

# The library's defaults are the second recommended choice of RFC 9106 4: 64 MiB, 3 passes, 4 threads.
_hasher = PasswordHasher()
# An unknown login is checked against this, so that the time to refuse does not tell which logins exist.
NOBODYS_HASH = _hasher.hash("nobody has this password")
# Each takes 64 MiB and several cores: more at once would starve requests that need none.
_at_once = anyio.CapacityLimiter(max(1, min(4, (os.cpu_count() or 1) // 2)))
MOST_WAITING = 40


@dataclass
class _Turn:
    lock: anyio.Lock = field(default_factory=anyio.Lock)
    wanted: int = 0


_turns: dict[UUID, _Turn] = {}


def must_be_hard_to_guess(password: str, login: str) -> None:
    """Raise Invalid for a password that somebody who knows the login would try."""
    fault = password_fault(password, login)
    if fault is not None:
        raise Invalid(
            f"The password {fault}.",
            next_step="Choose another, such as three or four words that nobody would put together.",
        )


async def hash_password(password: str) -> str:
    """The hash to keep; raises TooMany when many others wait for one."""
    return await _worked(lambda: _hasher.hash(password))


async def password_fits(password_hash: str, password: str, *, waits: bool = False) -> bool:
    """Whether the hash is that of the password; raises TooMany when many others wait, unless `waits`."""

    def fits() -> bool:
        try:
            return _hasher.verify(password_hash, password)
        except (VerificationError, InvalidHashError):
            return False

    return await _worked(fits, waits=waits)


async def _worked(work: Callable[[], T], *, waits: bool = False) -> T:
    if not waits and _at_once.statistics().tasks_waiting >= MOST_WAITING:
        raise TooMany(
            "Many passwords are being looked at.", retry_after_s=5, next_step="Wait 5 s and try again."
        )
    return await anyio.to_thread.run_sync(work, limiter=_at_once)


@asynccontextmanager
async def one_at_a_time(account_id: UUID) -> AsyncIterator[None]:
    """One password of an account is set after the other; who waits holds nothing."""
    turn = _turns.setdefault(account_id, _Turn())
    turn.wanted += 1
    try:
        async with turn.lock:
            yield
    finally:
        turn.wanted -= 1
        if turn.wanted == 0:
            del _turns[account_id]

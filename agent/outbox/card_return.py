"""A card return as this workstation knows it."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, NamedTuple
from uuid import UUID

import msgspec

from service.contract.cards import CardExtent, CardReturnOpen

State = Literal["reading", "copied", "held"]


class Cut(NamedTuple):
    """How a manifest is cut into parts: `files` in each at most, `short` in the first and the last; 0: no
    part is shorter but the last.

    No file goes before the first part; and the tickets of the last are soon there, so that no upload idles.
    """

    files: int
    short: int

    def ends(self, total: int) -> list[int]:
        """The last ordinal, from 1, of each part of a manifest of `total` files."""
        first = min(total, self.short)
        before_last = max(first, total - self.short)
        return sorted({*range(first, before_last, self.files), before_last, total} - {0})


# Fewer than the service takes: so little is looked at in the store at once.
CUT = Cut(250, 10)


@dataclass(frozen=True, slots=True)
class CardReturn:
    """`opening_wire` and `aside_wire` are the bytes as they were written down, and as they are sent (I8).

    `next_try` is in seconds of the Unix epoch by this workstation's clock. `unread_files` and `lacking`
    (files whose bytes are neither here as they were read nor held by the service) are None unless counted.
    """

    id: UUID
    state: State
    unit: str | None
    opening_wire: bytes
    source: str
    started_at: datetime
    finished_at: datetime | None
    complete: bool | None
    extent: CardExtent
    extent_note: str
    confirmed_by: str | None
    aside_wire: str
    files: int
    size: int
    manifest_sha256: str | None
    cut: Cut
    tries: int
    next_try: float
    trouble: str | None
    unread_files: int | None = None
    lacking: int | None = None

    @property
    def opening(self) -> CardReturnOpen:
        return msgspec.json.decode(self.opening_wire, type=CardReturnOpen)

    @property
    def aside(self) -> list[str]:
        """Names of an operating system's own files that were left on the card."""
        return msgspec.json.decode(self.aside_wire, type=list[str])

    @property
    def is_whole(self) -> bool:
        """Whether what was read is known to be a whole card."""
        if self.extent == "part":
            return False
        return self.extent in ("as_prepared", "confirmed") or self.confirmed_by is not None


def card_return_of(row: sqlite3.Row) -> CardReturn:
    counted = {name: row[name] for name in ("unread_files", "lacking") if name in row.keys()}  # noqa: SIM118
    return CardReturn(
        id=UUID(row["id"]),
        opening_wire=bytes(row["opening"]),
        started_at=datetime.fromisoformat(row["started_at"]),
        finished_at=row["finished_at"] and datetime.fromisoformat(row["finished_at"]),
        complete=None if row["complete"] is None else bool(row["complete"]),
        aside_wire=row["aside"],
        size=row["bytes"],
        cut=Cut(row["part_files"], row["short_part"]),
        **{name: row[name] for name in _AS_THEY_ARE},
        **counted,
    )


_AS_THEY_ARE = (
    "state", "unit", "source", "extent", "extent_note", "confirmed_by", "files", "manifest_sha256",
    "tries", "next_try", "trouble",
)  # fmt: skip

"""How an object is held, by what the store says of it and the record knows. Pure."""

from __future__ import annotations

from datetime import datetime
from typing import Literal, NamedTuple, Protocol


class Recorded(NamedTuple):
    """What the record of one site says of a digest: what other sites alone have brought is unknown to it.

    `image` False: a large file that was read back and is no image yet. `site`: under whose name the store has
    the bytes. `unsound_at`: when, by the store's clock, a reading last found them not sound; None: they are,
    as far as known.
    """

    size: int
    unsound_at: datetime | None
    image: bool
    site: str


class Stat(Protocol):
    """What the store says of an object; `modified` by its own clock."""

    @property
    def size(self) -> int: ...

    @property
    def sha256_hex(self) -> str | None: ...

    @property
    def modified(self) -> datetime | None: ...


#: `held`: it is there, and nothing speaks against it. `unread`: it came in, and counts when it was read back.
#: `absent`: nothing is there. `spoilt`: other bytes are there, or those that were found unsound.
Seen = Literal["held", "unread", "absent", "spoilt"]


def seen_as(digest: str, size: int, stat: Stat | None, known: Recorded | None, by_parts: bool) -> Seen:
    """How an object is held by what the store says of it and the record knows; `by_parts`: it is large.

    The store compares the bytes of one PUT with their digest; of a large file only reading it back tells.
    """
    if stat is None:
        return "absent"
    if stat.size != size or stat.sha256_hex not in (None, digest):
        return "spoilt"
    if known is not None and known.unsound_at is not None:
        # Both times are the store's, in whole seconds; a tie costs one reading more, which does no harm.
        return "unread" if stat.modified is not None and stat.modified >= known.unsound_at else "spoilt"
    return "unread" if by_parts and known is None else "held"


def seen_beside(elsewhere: Seen, here: Seen) -> Seen:
    """How an original is held that lies under another site's name, by that and by the site's own name. What
    came in under the site's own counts when custody has read it back."""
    if elsewhere in ("held", "unread"):
        return elsewhere
    return "unread" if here == "held" else here


def seen_in_record(known: Recorded | None) -> Seen:
    """The same by the record alone, for an agent that has to send what the record lacks."""
    if known is None:
        return "absent"
    return "held" if known.unsound_at is None else "spoilt"

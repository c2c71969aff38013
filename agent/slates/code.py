"""The text of a slate: which inspection and which location the pictures after it belong to. Pure.

`SL1:<inspection>:<location>:<check>`, in the characters of QR's alphanumeric mode where the location key
allows it (ISO/IEC 18004, 7.3.4), so that the code stays small and its modules large:

- `SL1`         this format, version 1;
- inspection    the inspection's UUID as 26 digits of base 32 (Crockford's digits: no I, L, O, U);
- location      the location's key, exactly as in the plan;
- check         4 such digits: the first 20 bits of the SHA-256 of all that stands before the last colon.

QR corrects errors by itself; the check is for what looks like ours and is not whole: a text cut short, typed
by hand, or made by an older sheet. One garbled text in a million passes it.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from uuid import UUID

import msgspec

PREFIX = "SL1"
# Any version of ours, so that a text of a later version is refused instead of overlooked.
FAMILY = "SL"
DIGITS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
ID_LENGTH = 26
CHECK_BITS = 20
LONGEST_KEY = 64
LONGEST = len(PREFIX) + ID_LENGTH + LONGEST_KEY + CHECK_BITS // 5 + 3


@dataclass(frozen=True, slots=True)
class Slate:
    """What a whole slate says."""

    inspection_id: UUID
    location: str


class Codes(msgspec.Struct, frozen=True, omit_defaults=True):
    """What a still shows: distinct texts of our format, sorted; `half_read`: a code was there whose text
    was not; `broken`: the picture could not be decoded, so nobody knows."""

    texts: tuple[str, ...] = ()
    half_read: bool = False
    broken: bool = False


NONE = Codes()


@dataclass(frozen=True, slots=True)
class Garbled:
    """A text that began as ours and does not add up."""


def slate_text(slate: Slate) -> str:
    """The text to draw. Raises ValueError for a key that no plan can have."""
    if not 1 <= len(slate.location) <= LONGEST_KEY:
        raise ValueError(f"a location key has 1 to {LONGEST_KEY} characters, not {len(slate.location)}")
    body = f"{PREFIX}:{_digits(slate.inspection_id.int, ID_LENGTH)}:{slate.location}"
    return f"{body}:{check_of(body)}"


def read_text(text: str) -> Slate | Garbled | None:
    """What a decoded text says; None for a code that is not of ours (a tag on the plant, say)."""
    if not is_ours(text):
        return None
    body, _, check = text.rpartition(":")
    parts = body.split(":", 2)
    if len(parts) != 3 or parts[0] != PREFIX or check != check_of(body):
        return Garbled()
    number = _number(parts[1])
    if number is None or not 1 <= len(parts[2]) <= LONGEST_KEY:
        return Garbled()
    return Slate(UUID(int=number), parts[2])


def is_ours(text: str) -> bool:
    """Whether a text names our format, in whatever version and state: `SL`, a digit, a colon."""
    return text[:2] == FAMILY and text[2:3].isdigit() and text[3:4] == ":"


def check_of(body: str) -> str:
    first = int.from_bytes(hashlib.sha256(body.encode("utf-8", "surrogatepass")).digest()[:3], "big")
    return _digits(first >> (24 - CHECK_BITS), CHECK_BITS // 5)


def _digits(number: int, length: int) -> str:
    return "".join(DIGITS[number >> 5 * place & 31] for place in reversed(range(length)))


def _number(text: str) -> int | None:
    if len(text) != ID_LENGTH or any(digit not in DIGITS for digit in text):
        return None
    number = 0
    for digit in text:
        number = number << 5 | DIGITS.index(digit)
    return number if number < 1 << 128 else None

"""Fits names to what a card can hold, without two of them ever meeting. Pure.

Illegal characters and the longest name are those of the exFAT specification, Table 35 (255 UTF-16 units);
reserved device names and trailing dots and spaces are those Windows refuses or drops.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Literal

ILLEGAL = frozenset('"*/:<>?\\|') | {chr(code) for code in range(0x20)} | {"\x7f"}
RESERVED = frozenset(
    {"con", "prn", "aux", "nul", "conin$", "conout$"}
    | {f"{port}{digit}" for port in ("com", "lpt") for digit in "0123456789¹²³"}
)
SHORTEST_LIMIT = 8
LONGEST_LIMIT = 255
# Crockford's base 32 without its upper case: no two of its characters fold together.
ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"
SUFFIX_LENGTHS = (4, 7, 12, 20, 40)


class NamesDoNotFit(ValueError):
    """The limits leave no room to tell the names apart."""


@dataclass(frozen=True, slots=True)
class NameLimits:
    """`longest` is in UTF-16 units; `allowed` is the inside of a regular expression's character class."""

    longest: int = LONGEST_LIMIT
    allowed: str | None = None
    case: Literal["keep", "upper", "lower"] = "keep"
    replacement: str = "-"


def units(text: str) -> int:
    """Length in UTF-16 units, as exFAT and Windows count."""
    return len(text) + sum(character > "\uffff" for character in text)


def fold(name: str) -> str:
    """What a name is compared by: coarser than any file system's own rule, so that none can merge two."""
    compatible = unicodedata.normalize("NFKD", name)
    for _ in range(3):
        compatible = unicodedata.normalize("NFKD", compatible.upper().casefold())
    return compatible.rstrip(". ")


def clean(name: str, limits: NameLimits) -> str:
    """One name within the limits; never empty; cleaning it again changes nothing."""
    for _ in range(8):
        cleaned = _clean_once(name, limits)
        if cleaned == name:
            return name
        name = cleaned
    return _trim(re.sub(r"[^0-9A-Za-z]", limits.replacement, name), limits.longest) or limits.replacement


def _clean_once(name: str, limits: NameLimits) -> str:
    name = _cased(unicodedata.normalize("NFC", name), limits)
    keeps = re.compile(f"[{limits.allowed}]") if limits.allowed else None
    name = "".join(c if _may_stay(c, keeps) else limits.replacement for c in name)
    name = _trim(name.lstrip(" "), limits.longest)
    stem = name.split(".", 1)[0].rstrip(" ")
    if fold(stem) in RESERVED:
        name = _trim(stem, limits.longest - 1) + limits.replacement + name[len(stem) :]
    return _trim(name, limits.longest) or limits.replacement


def _cased(name: str, limits: NameLimits) -> str:
    if limits.case == "upper":
        return name.upper()
    return name.lower() if limits.case == "lower" else name


def _may_stay(character: str, keeps: re.Pattern[str] | None) -> bool:
    if character in ILLEGAL or unicodedata.category(character) in ("Cc", "Cf", "Cs", "Cn", "Co", "Zl", "Zp"):
        return False
    return keeps is None or keeps.fullmatch(character) is not None


def _trim(name: str, longest: int) -> str:
    """Cut to `longest` UTF-16 units without splitting a base from its combining marks; no trailing dot."""
    while units(name) > longest:
        name = name[:-1]
        while units(name) >= longest and name and unicodedata.combining(name[-1]):
            name = name[:-1]
    return name.rstrip(". ")


def fit_names(wanted: Mapping[str, str], limits: NameLimits, taken: Collection[str] = ()) -> dict[str, str]:
    """A card name for every key: `wanted` maps key -> name as one would like it.

    The same set of keys and names gives the same result in any order. No two results are equal under
    `fold`, nor equal to one of `taken`. Where names would meet, each of them gets a short hash of its key.
    Raises NamesDoNotFit when even the longest suffix does not help.
    """
    plain = {key: clean(name, limits) for key, name in wanted.items()}
    avoid = {fold(name) for name in taken}
    lengths = dict.fromkeys(plain, -1)
    while True:
        fitted = {key: _named(plain[key], key, lengths[key], limits) for key in plain}
        meeting = _meeting(fitted, avoid)
        if not meeting:
            return fitted
        # Those still plain give way first; only names that already carry a suffix get a longer one.
        step = min(lengths[key] for key in meeting)
        for key in meeting:
            if lengths[key] == step:
                lengths[key] += 1
        if step + 1 >= len(SUFFIX_LENGTHS):
            raise NamesDoNotFit(f"{len(meeting)} names cannot be told apart in {limits.longest} characters")


def _meeting(fitted: Mapping[str, str], avoid: Collection[str]) -> set[str]:
    groups: dict[str, list[str]] = {}
    for key, name in fitted.items():
        groups.setdefault(fold(name), []).append(key)
    return {key for name, keys in groups.items() if len(keys) > 1 or name in avoid for key in keys}


def _named(name: str, key: str, step: int, limits: NameLimits) -> str:
    if step < 0:
        return name
    length = min(SUFFIX_LENGTHS[step], limits.longest)
    suffix = _cased(key_hash(key, length), limits)
    room = limits.longest - length - 1
    stem = _trim(name, room) if room > 0 else ""
    return clean(f"{stem}{limits.replacement}{suffix}" if stem else suffix, limits)


def key_hash(key: str, length: int) -> str:
    """The first `length` characters of the key's SHA-256, in base 32."""
    number = int.from_bytes(hashlib.sha256(key.encode("utf-8", "surrogatepass")).digest(), "big")
    return "".join(ALPHABET[number >> shift & 31] for shift in range(251, 251 - 5 * length, -5))

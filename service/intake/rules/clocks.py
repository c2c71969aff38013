"""When a picture was taken, by which of its clocks. Pure (I9)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta, timezone
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from service.contract.records import (
    Clocks,
)

# Videoscopes with a file system and a clock are younger than this; common practice, no source.
EARLIEST = datetime(1990, 1, 1, tzinfo=UTC)

AHEAD = timedelta(days=1)

_EXIF_MOMENT = re.compile(r"(\d{4}):(\d\d):(\d\d) (\d\d):(\d\d):(\d\d)")

_EXIF_OFFSET = re.compile(r"([+-])(\d\d):(\d\d)")


class Taken(NamedTuple):
    """The best estimate of when a picture was taken, and from which clock it was read."""

    at: datetime
    basis: str


def exif_moment(exif: Mapping[str, str]) -> datetime | None:
    """DateTimeOriginal with its SubSecTimeOriginal and OffsetTimeOriginal (CIPA DC-008, from memory).

    Naive where the camera gave no offset; None where it gave no time that a calendar has.
    """
    match = _EXIF_MOMENT.fullmatch(_trimmed(exif.get("DateTimeOriginal")))
    if match is None:
        return None
    year, month, day, hour, minute, second = (int(part) for part in match.groups())
    try:
        naive = datetime(year, month, day, hour, minute, second, _microseconds(exif))  # noqa: DTZ001
    except ValueError:
        return None
    return naive.replace(tzinfo=_offset(exif))


def _trimmed(raw: str | None) -> str:
    return (raw or "").strip(" \0\u2400")


def _microseconds(exif: Mapping[str, str]) -> int:
    """SubSecTimeOriginal holds the digits after the decimal point: '5' is half a second, '05' a twentieth."""
    digits = _trimmed(exif.get("SubSecTimeOriginal"))
    return int(digits[:6].ljust(6, "0")) if digits.isascii() and digits.isdigit() else 0


def _offset(exif: Mapping[str, str]) -> timezone | None:
    match = _EXIF_OFFSET.fullmatch(_trimmed(exif.get("OffsetTimeOriginal")))
    if match is None:
        return None
    sign, hours, minutes = match.groups()
    span = timedelta(hours=int(hours), minutes=int(minutes))
    if span >= timedelta(hours=24):
        return None
    return timezone(-span if sign == "-" else span)


def file_system_moment(modified: str | None) -> datetime | None:
    """The file system's time as shown (ISO 8601); naive unless the file system told its zone."""
    try:
        return datetime.fromisoformat(modified) if modified else None
    except ValueError:
        return None


def taken_at(
    exif: Mapping[str, str], modified: str | None, read_at: datetime, received_at: datetime, zone: ZoneInfo
) -> Taken:
    """When a picture was taken: Exif, else file system, else the agent's clock at reading (`read_at`).

    A time before 1990 is passed over, and one more than a day after both reading and receiving, and the basis
    says so. A workstation whose clock is behind does not make a scope's time one of the future.
    """
    latest = max(read_at, received_at) + AHEAD
    passed_over = ""
    for clock, moment in (("exif", exif_moment(exif)), ("file system", file_system_moment(modified))):
        if moment is None:
            continue
        at = _placed_in(moment, zone)
        if at is not None and EARLIEST <= at <= latest:
            assumed = ", site zone assumed" if moment.tzinfo is None else ""
            return Taken(at, f"{clock}{assumed}{passed_over}")
        passed_over += f"; {clock} implausible"
    return Taken(read_at.astimezone(UTC), f"read{passed_over}")


def _placed_in(moment: datetime, zone: ZoneInfo) -> datetime | None:
    try:
        return (moment if moment.tzinfo else moment.replace(tzinfo=zone)).astimezone(UTC)
    except OverflowError:
        return None


def exif_as_read(exif: Mapping[str, str]) -> str | None:
    """The camera's clock as it stands in the file: DateTimeOriginal, its decimals and its offset."""
    moment = exif.get("DateTimeOriginal")
    if moment is None:
        return None
    decimals = exif.get("SubSecTimeOriginal")
    offset = exif.get("OffsetTimeOriginal")
    return moment + (f".{decimals}" if decimals else "") + (f" {offset}" if offset else "")


def clocks(row: Mapping[Any, Any]) -> Clocks:
    """The four clocks (I9) of a row that carries a sighting and its image's Exif."""
    return Clocks(
        exif=exif_as_read(row["exif"]),
        file_system=row["modified"],
        read_at=row["read_at"],
        received_at=row["received_at"],
    )

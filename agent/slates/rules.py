"""Where the files of a flat card belong, by the slates among them. Pure.

Files are taken in capture order: DCF folder number, then DCF file number (CIPA DC-009: `100ABCDE`,
`ABCD0001.JPG`), then the name's bytes; what is not named after DCF comes after, by the name's bytes. No clock
takes part (I4). After a slate of a location everything belongs there until the next slate.

Nothing is guessed. Files before the first slate, and files after a slate that cannot be relied on, stay
unplaced with the reason until the next good slate; so do files after one that could not be looked at, since
it may have been a slate. A slate of another unit moves nothing there (I12).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from agent.slates.code import NONE, Codes, Slate, read_text

NO_SLATE = "no slate was pictured before it on the card"
HALF_READ = "its slate could not be read whole"
NOT_LOOKED_AT = "it, or a file before it, could not be looked at and may have been a slate"
TWO_SLATES = "its slate picture shows two different slates"
# Numbers are missing between slate and picture: what was deleted may have been a slate.
GAP_SHARE = 0.7

# DCF has exactly five characters after the number; scopes that write fewer are taken as well.
_DCF_FOLDER = re.compile(rb"(\d{3})[0-9A-Za-z_]{0,5}")
_DCF_FILE = re.compile(rb"[0-9A-Za-z_]{4}(\d{4})\.[0-9A-Za-z]{1,4}")

CaptureKey = tuple[int, int, int, bytes]


@dataclass(frozen=True, slots=True)
class Shot:
    """One file. `path` is its name below the card's root in the card's own bytes. `codes` None: a still
    that was not looked at, or a file that could not be read; what is no still shows no code."""

    path: bytes
    codes: Codes | None = NONE


@dataclass(frozen=True, slots=True)
class Job:
    """What the card was prepared for. `locations` None: the plan is not held here, the service decides.

    `units`: serials by inspection, for words. `carried`: where the card before this one, of the same
    inspection and scope, ended.
    """

    inspection_id: UUID
    locations: frozenset[str] | None = None
    units: Mapping[UUID, str] | None = None
    carried: str | None = None


@dataclass(frozen=True, slots=True)
class Placing:
    """What the slates say of one file. `location` None: `reason` says why. `share` of the rule's confidence.

    `slate`: the file is a picture of a slate, kept and never counted.
    """

    location: str | None
    reason: str | None = None
    share: float = 1.0
    slate: bool = False


def capture_key(path: bytes) -> CaptureKey:
    """Sorts files in the order they were taken, as far as their names say it."""
    folder, _, name = path.rpartition(b"/")
    in_folder = _DCF_FOLDER.fullmatch(folder.rpartition(b"/")[2])
    numbered = _DCF_FILE.fullmatch(name)
    if in_folder is None or numbered is None:
        return (1, 0, 0, path)
    return (0, int(in_folder[1]), int(numbered[1]), path)


def in_capture_order(shots: Iterable[Shot]) -> list[Shot]:
    return sorted(shots, key=lambda shot: capture_key(shot.path))


def place(shots: Iterable[Shot], job: Job) -> dict[bytes, Placing]:
    """Placings by path; the same for the same set of files, in whatever order they are given."""
    return dict(_placings(in_capture_order(shots), job))


def ends_at(shots: Iterable[Shot], job: Job) -> str | None:
    """The location that holds after the last file of a card; None when that is not known."""
    last = None
    for _, placing in _placings(in_capture_order(shots), job):
        last = placing.location
    return last


def _placings(shots: Sequence[Shot], job: Job) -> Iterator[tuple[bytes, Placing]]:
    holding = Placing(None, _before_first(job))
    before: CaptureKey | None = None
    for shot in shots:
        key = capture_key(shot.path)
        changed = _changed_by(shot, job)
        if changed is not None:
            holding = changed
            yield shot.path, changed
        else:
            if holding.location is not None and _gap(before, key):
                holding = Placing(holding.location, share=GAP_SHARE)
            yield shot.path, holding
        if holding.slate:
            holding = Placing(holding.location, holding.reason)
        before = key


def _before_first(job: Job) -> str:
    if job.carried is None:
        return NO_SLATE
    return f"{NO_SLATE}; the card before it, of the same scope, ended at {job.carried}: a person decides"


def _changed_by(shot: Shot, job: Job) -> Placing | None:
    """What a file changes: the placing of itself and of what follows; None for an ordinary picture."""
    if shot.codes is None or shot.codes.broken:
        return Placing(None, NOT_LOOKED_AT)
    slates = {read_text(text) for text in shot.codes.texts} - {None}
    if not slates:
        return Placing(None, HALF_READ) if shot.codes.half_read else None
    if len(slates) > 1:
        return Placing(None, TWO_SLATES, slate=True)
    slate = slates.pop()
    if not isinstance(slate, Slate) or shot.codes.half_read:
        return Placing(None, HALF_READ, slate=True)
    refused = _refused(slate, job)
    return Placing(None, refused, slate=True) if refused else Placing(slate.location, slate=True)


def _refused(slate: Slate, job: Job) -> str | None:
    if slate.inspection_id != job.inspection_id:
        unit = (job.units or {}).get(slate.inspection_id)
        whose = f"unit {unit}" if unit else "an inspection not known here"
        own = (job.units or {}).get(job.inspection_id)
        return (
            "its slate is of another inspection of the same unit"
            if unit is not None and unit == own
            else f"its slate is of {whose}, not of what the card was prepared for"
        )
    if job.locations is not None and slate.location not in job.locations:
        return f"its slate names {slate.location}, which is not in the plan for this build"
    return None


def _gap(before: CaptureKey | None, key: CaptureKey) -> bool:
    """Whether numbers are missing between two neighbours. A new folder starts anywhere; side files share
    their picture's number."""
    if before is None or before[0] or key[0] or before[1] != key[1]:
        return False
    return key[2] - before[2] > 1


def out_of_order(slates: Iterable[str], planned: Sequence[str]) -> list[str]:
    """Locations whose first slate came after that of a later location of the job sheet; to be shown only."""
    place_of = {key: at for at, key in enumerate(planned)}
    late, furthest = [], -1
    for key in dict.fromkeys(slates):
        at = place_of.get(key, furthest)
        if at < furthest:
            late.append(key)
        furthest = max(furthest, at)
    return late

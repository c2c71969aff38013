"""What a manifest must add up to, where a file belongs, and the fold over placements. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal, NamedTuple, Protocol
from uuid import UUID

from service.contract.cards import (
    CardExtent,
    CardReturnCommit,
    FileAhead,
    ManifestFile,
    PlacementClaim,
    ReceiptFile,
    exact_path,
    manifest_digest,
    readable_path,
)

ASIDE_NAMED = 10
PICTURES = frozenset({"still", "video"})
NO_PICTURE = frozenset({"zero_length", "truncated", "not_an_image", "slate"})


def counts_as_held(kind: str, marks: Iterable[str]) -> bool:
    """Whether an image counts towards the pictures a location requires.

    What cannot be looked at whole is kept and shown, but never counted as seen; nor is a slate.
    """
    return kind in PICTURES and not NO_PICTURE & set(marks)


class Place(NamedTuple):
    """Where a picture is shown. `location_key` "": at the inspection, location not known; element 0: none."""

    inspection_id: UUID
    location_key: str
    element: int


@dataclass(frozen=True, slots=True)
class Fact:
    """One placement fact; it replaces those it was made in knowledge of (I3, I4)."""

    id: UUID
    sighting_id: UUID
    place: Place
    replaces: frozenset[UUID] = frozenset()


def heads(facts: Iterable[Fact]) -> set[Fact]:
    """The facts that no other fact replaces: where sightings stand now.

    Two facts that do not know of each other both stand.
    """
    known = set(facts)
    replaced = {gone for fact in known for gone in fact.replaces}
    return {fact for fact in known if fact.id not in replaced}


@dataclass(frozen=True, slots=True)
class Sighted:
    """What a file of a card return has to do with showing it. `ordinal` is its place in the manifest, `told`:
    the agent told what its bytes say of the picture."""

    id: UUID
    digest: str
    card_return_id: UUID
    ordinal: int
    kind: str
    marks: frozenset[str] = frozenset()
    told: bool = True


class Shown(NamedTuple):
    """How an image is shown at a place: by which sighting and which fact of it, and how often it was seen."""

    first: UUID
    fact: UUID
    sightings: frozenset[UUID]
    counted: bool


def shown(sighted: Mapping[UUID, Sighted], facts: Iterable[Fact]) -> dict[tuple[Place, str], Shown]:
    """Which images stand at which places. A file that is no picture by its own kind shows none, whatever
    other file has the same bytes.

    The first is the least by card return and place in the manifest, of those that count and tell of the
    picture if there are such: ids that agents made, so that it does not depend on which card came in first.
    """
    standing: dict[tuple[Place, str], list[tuple[Sighted, Fact]]] = {}
    for fact in heads(facts):
        seen = sighted[fact.sighting_id]
        if seen.kind in PICTURES:
            standing.setdefault((fact.place, seen.digest), []).append((seen, fact))
    return {where: _shown(here) for where, here in standing.items()}


def _shown(here: Sequence[tuple[Sighted, Fact]]) -> Shown:
    def key(one: tuple[Sighted, Fact]) -> tuple[bool, bool, UUID, int, UUID]:
        seen, fact = one
        counts = counts_as_held(seen.kind, seen.marks)
        return (not counts, not seen.told, seen.card_return_id, seen.ordinal, fact.id)

    first, fact = min(here, key=key)
    counted = counts_as_held(first.kind, first.marks)
    return Shown(first.id, fact.id, frozenset(seen.id for seen, _ in here), counted)


def pictures_held(standing: Mapping[tuple[Place, str], Shown]) -> Counter[tuple[UUID, str]]:
    """Distinct images that count per inspection and location, whatever elements and sightings they have."""
    distinct = {
        (place.inspection_id, place.location_key, digest)
        for (place, digest), how in standing.items()
        if place.location_key and how.counted
    }
    return Counter((inspection_id, location_key) for inspection_id, location_key, _ in distinct)


class Home(Protocol):
    """What intake must know of an inspection to place a file in it; `locations` has every key it ever had."""

    @property
    def unit_id(self) -> UUID: ...

    @property
    def site(self) -> str: ...

    @property
    def revision_id(self) -> UUID: ...

    @property
    def locations(self) -> frozenset[str]: ...


@dataclass(slots=True)
class Verdict:
    """Where a file goes. `place` None: kept, shown at no inspection. `remark`: why it is not as claimed."""

    place: Place | None
    rule: str
    claimed_key: str | None = None
    remark: str | None = None
    claim: PlacementClaim | None = field(default=None, repr=False)


def judge(claim: PlacementClaim | None, homes: Mapping[UUID, Home], site: str, own: UUID | None) -> Verdict:
    """Where a file of a card return at `site` belongs; `own` is the inspection the card was prepared for."""
    if claim is None:
        return Verdict(Place(own, "", 0) if own else None, "card")
    home = homes.get(claim.inspection_id)
    reason = _not_ours(home, site, homes[own].unit_id if own else None)
    if home is None or reason:
        return Verdict(None, claim.rule, claim.location_key, f"inspection {claim.inspection_id} {reason}")
    if claim.location_key is None:
        # The note of a claim that a slate left open says why.
        remark = claim.note if claim.rule == "slate" else None
        return Verdict(Place(claim.inspection_id, "", 0), claim.rule, remark=remark, claim=claim)
    if claim.location_key not in home.locations:
        remark = f"the inspection has no location {claim.location_key}"
        return Verdict(Place(claim.inspection_id, "", 0), claim.rule, claim.location_key, remark, claim)
    place = Place(claim.inspection_id, claim.location_key, claim.element or 0)
    return Verdict(place, claim.rule, claim=claim)


def _not_ours(home: Home | None, site: str, own_unit: UUID | None) -> str | None:
    if home is None:
        return "is not known here"
    if home.site != site:
        return "belongs to another site"
    if own_unit is not None and home.unit_id != own_unit:
        return "belongs to another unit than the card"
    return None


EXTENTS: dict[CardExtent, str] = {
    "not_confirmed": "Nobody had confirmed that this was a whole card",
    "not_as_prepared": "A part of what the preparation wrote is gone from the card",
    "part": "This was not a whole card",
}


def extent_remarks(commit: CardReturnCommit) -> list[str]:
    """What a person should know of how much of the card was read."""
    remarks = []
    if commit.extent in EXTENTS:
        note = f": {commit.extent_note}" if commit.extent_note else ""
        remarks.append(f"{EXTENTS[commit.extent]}{note}.")
    if commit.extent == "confirmed":
        remarks.append(f"{commit.confirmed_by or 'Nobody by name'} confirmed that this was a whole card.")
    if commit.aside:
        names = ", ".join(commit.aside[:ASIDE_NAMED])
        more = f" and {len(commit.aside) - ASIDE_NAMED} more" if len(commit.aside) > ASIDE_NAMED else ""
        remarks.append(f"Left aside, as files of an operating system: {names}{more}.")
    return remarks


def placing_remarks(counted: Mapping[str, int]) -> list[str]:
    """One sentence per remark of verdicts, with the number of files it holds for."""
    return [
        f"{count} {'file' if count == 1 else 'files'} kept but not placed: {reason}."
        for reason, count in sorted(counted.items())
    ]


def manifest_faults(
    files: Sequence[ManifestFile | ReceiptFile], parts: int, commit: CardReturnCommit
) -> list[str]:
    """Why the parts held here are not the manifest that the commit closes; empty when they are."""
    if parts != commit.parts:
        return [f"{parts} parts are held here, the commit names {commit.parts}"]
    if len(files) != commit.files:
        return [f"the parts hold {len(files)} files, the commit names {commit.files}"]
    lines = [(exact_path(file.path, file.path_bytes), file.sha256, file.size) for file in files]
    if manifest_digest(lines) != commit.manifest_sha256:
        return ["the manifest digest computed over the parts is not the one in the commit"]
    return []


def contradictions(files: Iterable[ManifestFile | ReceiptFile]) -> list[tuple[str, str]]:
    """Where a manifest cannot be the listing of one card: path and what is wrong with it."""
    found, met = [], set[bytes]()
    for file in files:
        name = exact_path(file.path, file.path_bytes)
        if file.path_bytes is not None and file.path != readable_path(name):
            found.append((file.path, "is not the readable form of its path bytes"))
        if name in met:
            found.append((file.path, "stands in the manifest more than once"))
        met.add(name)
    return found


class Recorded(NamedTuple):
    """What the record says of a digest. `image` False: a large file that was read back and is no image yet.

    `unsound_at`: when, by the store's clock, a reading last found it not sound; None: it is as far as known.
    """

    size: int
    unsound_at: datetime | None
    image: bool


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
        # Both are the store's time in whole seconds; one reading too many is no harm.
        return "unread" if stat.modified is not None and stat.modified >= known.unsound_at else "spoilt"
    return "unread" if by_parts and known is None else "held"


def seen_in_record(known: Recorded | None) -> Seen:
    """The same by the record alone, for who is to send what it has not."""
    if known is None:
        return "absent"
    return "held" if known.unsound_at is None else "spoilt"


def sizes(files: Iterable[ManifestFile | ReceiptFile | FileAhead]) -> tuple[dict[str, int], set[str]]:
    """Size by digest, and the digests that the manifest gives two sizes for (bytes have only one)."""
    known: dict[str, int] = {}
    torn = set()
    for file in files:
        if known.setdefault(file.sha256, file.size) != file.size:
            torn.add(file.sha256)
    return known, torn

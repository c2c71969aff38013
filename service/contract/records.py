"""Units, images, the history of one serial number, and moves of pictures."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any
from uuid import UUID

import msgspec

from service.contract.wire import Code, Digest, Text, UtcTime, Wire

Element = Annotated[int, msgspec.Meta(ge=1, le=100000)]
LocationKey = Annotated[str, msgspec.Meta(min_length=1, max_length=64)]
Reason = Annotated[str, msgspec.Meta(min_length=3, max_length=4000, description="shown in both histories")]


class UnitIn(Wire):
    """A new unit; its serial number stands in the URL."""

    id: UUID
    type: Code
    build: Code
    site: Code
    since: date
    position: Text | None = None
    invented: bool = False


class PositionIn(Wire):
    """Where a unit stands from a date on."""

    id: UUID
    site: Code
    since: date
    position: Text | None = None


class UnitPosition(Wire):
    site: str
    position: str | None
    since: date
    recorded_at: UtcTime


class Unit(Wire):
    id: UUID
    serial: str
    type: str
    build: str
    site: str
    position: str | None
    invented: bool


class UnitDetail(Unit):
    """A unit with its dated positions, the newest first."""

    positions: list[UnitPosition]


class Clocks(Wire):
    """The four clocks as read (I9), none corrected. `exif` is DateTimeOriginal with the sub-seconds and
    offset the file gives; `file_system` has no known zone; `read_at` is the agent's, `received_at` the
    service's clock."""

    exif: str | None
    file_system: str | None
    read_at: UtcTime
    received_at: UtcTime


class CountedPlace(Wire):
    """Where an image counts. `unit` None: at one that the caller does not see; `location` None: not known."""

    unit: str | None
    campaign: str | None
    location: str | None


class HistoryItem(Wire):
    """One image at one place of a unit. `id` names it in a move. `location` None: not known.

    `kind`, `marks` and `path` are of the first file seen here; `sightings` counts how often one was seen.
    `revision` is what the inspection was bound to when the image came to stand here, `prepared_under` what
    its card was prepared under. `also_at` names other places where the same bytes count (with `also_more`
    only the first of them): one picture then answers for each.
    """

    id: UUID
    digest: Digest
    size: int
    kind: str
    format: str | None
    marks: list[str]
    taken_at: UtcTime
    taken_basis: str
    clocks: Clocks
    path: str
    person: str | None
    scope: str | None
    shift: str | None
    agent: str
    card_id: UUID | None
    card_return_id: UUID
    plan: str
    revision: str
    prepared_under: str | None
    campaign: str
    campaign_id: UUID
    inspection_id: UUID
    location: str | None
    element: int | None
    element_last: int | None
    evaluation: str | None
    condition: str | None
    note: str | None
    rule: str | None
    sightings: int
    verified_at: UtcTime
    thumbnail: bool
    no_thumbnail: str | None
    moved: bool
    also_at: list[CountedPlace]
    also_more: bool


class PlacementFact(Wire):
    """Who or what rule said where a sighting belongs; `standing` False: a later fact replaces it."""

    id: UUID
    inspection_id: UUID
    unit: str
    location: str | None
    claimed_location: str | None
    element: int | None
    element_last: int | None
    evaluation: str | None
    condition: str | None
    note: str | None
    rule: str
    confidence: float
    by: str
    reason: str | None
    recorded_at: UtcTime
    replaces: list[UUID]
    standing: bool


class ImageSighting(Wire):
    """One file seen on one card. `kind` and `marks` are of the file; others may hold the same bytes."""

    id: UUID
    card_return_id: UUID
    card_id: UUID | None
    site: str
    agent: str
    person: str | None
    scope: str | None
    path: str
    path_bytes: bytes
    kind: str
    marks: list[str]
    clocks: Clocks
    placements: list[PlacementFact]


class ImageDetail(Wire):
    """What is known of the bytes of an image, where it counts, and a page of the sightings of it that the
    caller may see. Format, pixels, Exif and marks are what the service found in the bytes, at `looked_at`;
    None: it has not looked, they are what an agent told."""

    digest: Digest
    size: int
    looked_at: UtcTime | None
    format: str | None
    width: int | None
    height: int | None
    exif: dict[str, Any]
    marks: list[str]
    verified_at: UtcTime
    thumbnail: bool
    no_thumbnail: str | None
    stands_at: list[CountedPlace]
    stands_more: bool
    sightings: list[ImageSighting]


class Download(Wire):
    """A short-lived address of the original bytes; check them against `sha256`."""

    url: str
    expires_at: UtcTime
    sha256: Digest
    size: int


class ReturnFile(Wire):
    """One file of a committed card return, in manifest order."""

    sighting_id: UUID
    ordinal: int
    path: str
    path_bytes: bytes
    digest: Digest
    size: int
    kind: str
    marks: list[str]
    clocks: Clocks
    inspection_id: UUID | None
    location: str | None
    claimed_location: str | None
    element: int | None
    rule: str | None


class MoveTarget(Wire):
    inspection_id: UUID
    location: LocationKey | None
    element: Element | None = None
    element_last: Element | None = None


class MoveIn(Wire):
    """Show pictures at another place. `pictures` are ids of the history, `sightings` are files of a card
    return that stand nowhere yet. With `undoes`, and then without pictures and place: bring exactly the
    pictures of that move back to where they stood."""

    id: UUID
    reason: Reason
    to: MoveTarget | None = None
    pictures: Annotated[list[UUID], msgspec.Meta(max_length=1000)] = []
    sightings: Annotated[list[UUID], msgspec.Meta(max_length=1000)] = []
    undoes: UUID | None = None


class MovedPicture(Wire):
    """One picture of a move. `from_unit` None: it stood nowhere before."""

    digest: Digest
    sightings: int
    from_unit: str | None
    from_inspection_id: UUID | None
    from_location: str | None
    from_element: int | None
    to_unit: str
    to_inspection_id: UUID
    to_location: str | None
    to_element: int | None


class Move(Wire):
    """A recorded move; a further move undoes it. `undoes` and `undone_by` name the other of such a pair."""

    id: UUID
    reason: str
    by: str
    recorded_at: UtcTime
    pictures: list[MovedPicture]
    undoes: UUID | None = None
    undone_by: UUID | None = None

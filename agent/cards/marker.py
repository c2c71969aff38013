"""The marker that makes a memory card one of ours: who it was prepared for, and what its folders mean."""

from __future__ import annotations

from pathlib import Path
from uuid import UUID

import msgspec

from agent.profiles.tree import Folder, OrderedPicture
from service.contract.wire import Code, Digest, UtcTime, Wire

MARKER_NAME = "SIGHTLEDGER-CARD.json"
LARGEST_MARKER = 8 * 1024 * 1024


class MarkedFolder(Wire, omit_defaults=True):
    """What a prepared folder stands for."""

    location: str | None = None
    element: int | None = None
    element_last: int | None = None
    evaluation: str | None = None


class MarkedPicture(Wire, omit_defaults=True):
    location: str
    element: int | None = None
    element_last: int | None = None


class Marker(Wire):
    """`folders` maps a path below the root to its meaning; `own_files` maps what we wrote to its SHA-256."""

    format: str
    card_id: UUID
    site: Code
    inspection_id: UUID
    unit: str
    plan: str
    revision_id: UUID
    revision: str
    profile: Code
    prepared_at: UtcTime
    prepared_by: str
    folders: dict[str, MarkedFolder]
    own_files: dict[str, Digest]
    scope: str | None = None
    person: str | None = None
    order: list[MarkedPicture] = []  # noqa: RUF012

    def names(self, name: tuple[str, bytes | None]) -> bool:
        """Whether a file, as `walking.readable` gives its name, is called like one that the preparation
        wrote."""
        text, odd = name
        return odd is None and (text == MARKER_NAME or text in self.own_files)

    def tree(self) -> list[Folder]:
        return [
            Folder(path, of.location, of.element, of.element_last, of.evaluation)
            for path, of in self.folders.items()
        ]

    def picture_order(self) -> list[OrderedPicture]:
        return [
            OrderedPicture(picture.location, picture.element, picture.element_last) for picture in self.order
        ]


FORMAT = "sightledger-card/1"


def read_marker(root: Path) -> Marker | None:
    """The marker of a card; None where there is none or it is no longer readable as one.

    A damaged marker is then a file like any other: it is read and kept.
    """
    try:
        with (root / MARKER_NAME).open("rb") as file:
            marker = msgspec.json.decode(file.read(LARGEST_MARKER), type=Marker)
    except (OSError, msgspec.DecodeError):
        return None
    return marker if marker.format == FORMAT else None


def encode_marker(marker: Marker) -> bytes:
    return msgspec.json.format(msgspec.json.encode(marker), indent=1)

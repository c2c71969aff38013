"""Whether what was read is a whole card: only then may anybody be told that it can be wiped (I6).

A card that was prepared here says so by its marker and by all that was written beside it. Of anything else
only a person knows what it is.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from agent.cards.marker import MARKER_NAME, Marker, read_marker
from agent.errors import AgentError
from service.contract.cards import CardExtent


@dataclass(frozen=True, slots=True)
class Extent:
    """How much of a card lies at a path; `note` says more where that is not all of it."""

    kind: CardExtent
    note: str = ""


NOT_CONFIRMED = Extent("not_confirmed", "it has no marker of ours")


def refuse_part_of_card(root: Path) -> None:
    """Raise AgentError for a folder inside a prepared card: read alone, it would look like all of it."""
    for above in root.resolve().parents:
        marker = read_marker(above)
        if marker is not None:
            raise AgentError(
                f"{root} is a folder of the card for unit {marker.unit}, which begins at {above}.",
                "Nothing was read: a part of a card must never look like the whole.",
                f"Read the card: sightledger-agent read {above}",
            )
        if os.path.ismount(above):
            return


def extent_of(root: Path, marker: Marker | None, media: Sequence[Path]) -> Extent:
    """`media` are the roots of the media that are in now."""
    medium = medium_above(root, media)
    if medium is not None:
        return Extent("part", f"it is a folder of the medium at {medium}")
    if marker is None:
        return NOT_CONFIRMED
    lacking = [name for name in (MARKER_NAME, *marker.own_files) if not (root / name).is_file()]
    lacking += [f"{name}/" for name in marker.folders if not (root / name).is_dir()]
    if not lacking:
        return Extent("as_prepared")
    rest = f" and {len(lacking) - 1} more" if len(lacking) > 1 else ""
    return Extent("not_as_prepared", f"{lacking[0]}{rest} of its preparation is gone from it")


def medium_above(root: Path, media: Sequence[Path]) -> Path | None:
    """The medium of which `root` is only a folder."""
    parents = set(root.resolve().parents)
    return next((medium for medium in media if medium.resolve() in parents), None)

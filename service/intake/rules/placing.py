"""Where a file belongs, and what the placements that stand show there. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple
from uuid import UUID

from service.campaigns.rules import Inspection
from service.contract.cards import PICTURES, PlacementClaim, counts_as_held
from service.facts.rules import standing


class Place(NamedTuple):
    """Where a picture is shown. `location_key` "": at the inspection, location not known; element 0: none."""

    inspection_id: UUID
    location_key: str
    element: int


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a sighting belongs; it replaces the placements of it that it was made in knowledge of."""

    id: UUID
    sighting_id: UUID
    place: Place
    replaces: frozenset[UUID] = frozenset()


def standing_placements(placements: Iterable[Placement]) -> set[Placement]:
    """Where sightings stand now; two placements of a sighting that do not know of each other both stand."""
    of_sighting: dict[UUID, set[Placement]] = {}
    for placement in placements:
        of_sighting.setdefault(placement.sighting_id, set()).add(placement)
    return {placement for facts in of_sighting.values() for placement in standing(facts).heads}


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
    """How an image is shown at a place: by which sighting and which placement, and by how many sightings."""

    first: UUID
    fact: UUID
    sightings: frozenset[UUID]
    counted: bool


def shown(sighted: Mapping[UUID, Sighted], placements: Iterable[Placement]) -> dict[tuple[Place, str], Shown]:
    """Which images stand at which places. A file that is no picture by its own kind shows none, whatever
    other file has the same bytes.

    The first is the least by card return and place in the manifest, of those that count and tell of the
    picture if there are such: ids that agents made, so that it does not depend on which card came in first.
    """
    at_place: dict[tuple[Place, str], list[tuple[Sighted, Placement]]] = {}
    for placement in standing_placements(placements):
        seen = sighted[placement.sighting_id]
        if seen.kind in PICTURES:
            at_place.setdefault((placement.place, seen.digest), []).append((seen, placement))
    return {where: _shown(here) for where, here in at_place.items()}


def _shown(here: Sequence[tuple[Sighted, Placement]]) -> Shown:
    def key(pair: tuple[Sighted, Placement]) -> tuple[bool, bool, UUID, int, UUID]:
        seen, placement = pair
        counts = counts_as_held(seen.kind, seen.marks)
        return (not counts, not seen.told, seen.card_return_id, seen.ordinal, placement.id)

    first, placement = min(here, key=key)
    counted = counts_as_held(first.kind, first.marks)
    return Shown(first.id, placement.id, frozenset(seen.id for seen, _ in here), counted)


def pictures_held(shown_at: Mapping[tuple[Place, str], Shown]) -> Counter[tuple[UUID, str]]:
    """Distinct images that count per inspection and location, whatever elements and sightings they have."""
    distinct = {
        (place.inspection_id, place.location_key, digest)
        for (place, digest), how in shown_at.items()
        if place.location_key and how.counted
    }
    return Counter((inspection_id, location_key) for inspection_id, location_key, _ in distinct)


@dataclass(slots=True)
class Verdict:
    """Where a file goes. `place` None: kept, shown at no inspection. `remark`: why it is not as claimed."""

    place: Place | None
    rule: str
    claimed_key: str | None = None
    remark: str | None = None
    claim: PlacementClaim | None = field(default=None, repr=False)


def judge(
    claim: PlacementClaim | None, inspections: Mapping[UUID, Inspection], site: str, own: UUID | None
) -> Verdict:
    """Where a file of a card return at `site` belongs; `own` is the inspection the card was prepared for."""
    if claim is None:
        return Verdict(Place(own, "", 0) if own else None, "card")
    inspection = inspections.get(claim.inspection_id)
    reason = _not_ours(inspection, site, inspections[own].unit_id if own else None)
    if inspection is None or reason:
        return Verdict(None, claim.rule, claim.location_key, f"inspection {claim.inspection_id} {reason}")
    if claim.location_key is None:
        # The note of a claim that a slate left open says why.
        remark = claim.note if claim.rule == "slate" else None
        return Verdict(Place(claim.inspection_id, "", 0), claim.rule, remark=remark, claim=claim)
    if claim.location_key not in inspection.keys:
        remark = f"the inspection has no location {claim.location_key}"
        return Verdict(Place(claim.inspection_id, "", 0), claim.rule, claim.location_key, remark, claim)
    place = Place(claim.inspection_id, claim.location_key, claim.element or 0)
    return Verdict(place, claim.rule, claim=claim)


def _not_ours(inspection: Inspection | None, site: str, own_unit: UUID | None) -> str | None:
    if inspection is None:
        return "is not known here"
    if inspection.site != site:
        return "belongs to another site"
    if own_unit is not None and inspection.unit_id != own_unit:
        return "belongs to another unit than the card"
    return None

"""What an agent pulls: the open inspections of its site and the plan revisions they are bound to."""

from __future__ import annotations

from typing import Annotated, Literal
from uuid import UUID

import msgspec

from service.contract.wire import Code, Text, UtcTime, Wire

StatementKind = Literal["complete", "reopened", "not_inspected", "omission_authorised"]
LocationState = Literal[
    "no_statement",
    "complete",
    "reopened",
    "not_inspected",
    "omission_authorised",
    "conflict",
    "not_applicable",
]


class StatementIn(Wire):
    """What a person says of locations of one inspection (I3, I4).

    `locations` None means every applicable location: the service writes the list out.
    `replaces` names the statements this one was made in knowledge of.
    `stated_by` is the speaker; None is the signed-in caller. An agent has to name one of the site's people.
    `stated_at` is the speaker's clock: kept, never used for ordering.
    """

    id: UUID
    inspection_id: UUID
    kind: StatementKind
    locations: Annotated[list[str], msgspec.Meta(min_length=1, max_length=2000)] | None
    replaces: Annotated[list[UUID], msgspec.Meta(max_length=2000)] = []
    reason: Annotated[str, msgspec.Meta(max_length=128)] | None = None
    note: Text | None = None
    stated_by: Text | None = None
    stated_at: UtcTime | None = None


class LocationBrief(Wire):
    key: str
    state: LocationState
    pictures_required: int
    pictures_held: int
    heads: list[UUID]


class InspectionBrief(Wire):
    id: UUID
    campaign_id: UUID
    campaign: str
    unit: str
    equipment_type: str
    build: str
    position: str | None
    plan: str
    revision_id: UUID
    revision: str
    locations: list[LocationBrief]


class RevisionBrief(Wire):
    id: UUID
    plan: str
    label: str
    state: str
    effective_from: UtcTime | None
    digest: str


class Worklist(Wire):
    """`card_profile` is that of the site, null where it has none; `people` are the names in which a statement
    may be made at the site."""

    site: Code
    inspections: list[InspectionBrief]
    revisions: list[RevisionBrief]
    card_profile: str | None
    people: list[str]

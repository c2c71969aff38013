"""Campaigns, inspections, their statements and bindings, and the completion roll-up, on the wire."""

from __future__ import annotations

from datetime import date
from typing import Annotated
from uuid import UUID

import msgspec

from service.contract.wire import UtcTime, Wire
from service.contract.work import LocationState, StatementKind

Name = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
Serial = Annotated[str, msgspec.Meta(min_length=1, max_length=64)]
Serials = Annotated[list[Serial], msgspec.Meta(max_length=20_000)]


class CampaignIn(Wire):
    """A campaign over `units` (serial numbers) by the standard plan `plan` (its code), in a window of
    calendar days, both ends included. `units` may be left empty and added later."""

    name: Name
    plan: str
    opens: date
    closes: date
    units: Serials = []


class Campaign(Wire):
    id: UUID
    name: str
    plan: str
    equipment_type: str
    opens: date
    closes: date
    version: int
    created_at: UtcTime
    closed_at: UtcTime | None
    inspections: int
    inspections_complete: int


class UnitsIn(Wire):
    """Serial numbers to add; those already in the campaign stay as they are."""

    units: Annotated[list[Serial], msgspec.Meta(min_length=1, max_length=20_000)]


class Counted(Wire):
    """Numbers of a roll-up. `locations` are those owed: of the bound revision and applicable to the build;
    it is the sum of complete, omitted, not_inspected, reopened, conflict and no_statement.

    `complete_short` are locations called complete with fewer pictures than the plan requires.
    `pictures_required_held` adds up, location by location, what is held of what is required; `pictures_held`
    is all that is held there, and proves nothing. `pictures_engineering` and `pictures_second_look` are
    pictures whose evaluation requires that by the plan's scale, `pictures_unplaced` pictures that stand at
    the inspection and at no location of it. `inspections_blocked` are complete ones beside which one of
    `complete_short` and these three is not nought.

    The shares are fractions, null where there is nothing to share: `share_complete` of locations inspected
    and complete, `share_answered` also counts authorised omissions, `share_pictures` of required pictures.
    """

    inspections: int
    inspections_complete: int
    inspections_blocked: int
    locations: int
    complete: int
    complete_short: int
    omitted: int
    not_inspected: int
    reopened: int
    conflict: int
    no_statement: int
    not_applicable: int
    pictures_required: int
    pictures_held: int
    pictures_required_held: int
    pictures_engineering: int
    pictures_second_look: int
    pictures_unplaced: int
    share_complete: float | None
    share_answered: float | None
    share_pictures: float | None


class CompletionRow(Counted):
    campaign_id: UUID
    campaign: str
    closed: bool
    site: str
    equipment_type: str


class Completion(Wire):
    """One row per campaign, site and equipment type, and their sum, as of one instant."""

    rows: list[CompletionRow]
    total: Counted


class InspectionRow(Wire):
    """One unit of a campaign in a list. `pictures_uncounted` came in and count at no location: none is known,
    or they are marked."""

    id: UUID
    unit: str
    position: str | None
    site: str
    equipment_type: str
    build: str
    revision_id: UUID
    revision: str
    version: int
    counts: Counted
    pictures_uncounted: int


class LocationDetail(Wire):
    """`bound` false: the present revision no longer has it; it owes nothing, and what was said stays.
    `name` is null for those. `heads` are the statements that a next one has to replace. Beside
    `pictures_held`, `pictures_uncounted` stand here and are marked, so that they do not count; of those held,
    `pictures_elsewhere` count at another place too."""

    key: str
    name: str | None
    bound: bool
    mandatory: bool
    state: LocationState
    pictures_required: int
    pictures_held: int
    pictures_uncounted: int
    pictures_elsewhere: int
    heads: list[UUID]


class Binding(Wire):
    """That an inspection was bound to a plan revision, by whom and why (I10)."""

    id: UUID
    revision_id: UUID
    revision: str
    reason: str
    by: str
    recorded_at: UtcTime


class InspectionDetail(InspectionRow):
    campaign_id: UUID
    campaign: str
    closed: bool
    plan: str
    bindings: list[Binding]
    locations: list[LocationDetail]


class StatementOut(Wire):
    """One statement of a history. `stands_for` lists the locations where nothing replaces it;
    `agent` and `card_return_id` are set where it came with a card."""

    id: UUID
    kind: StatementKind
    locations: list[str]
    replaces: list[UUID]
    reason: str | None
    note: str | None
    stated_by: str
    stated_at: UtcTime | None
    account: str | None
    agent: str | None
    card_return_id: UUID | None
    recorded_at: UtcTime
    stands_for: list[str]


class StatementMade(Wire):
    """A statement, and the inspection after it."""

    statement: StatementOut
    inspection: InspectionDetail


class BindingIn(Wire):
    """Bind an inspection to the revision that is effective at its site now; `revision_id` names it, so
    that nobody binds to one he has not seen."""

    id: UUID
    revision_id: UUID
    reason: Annotated[str, msgspec.Meta(min_length=1, max_length=4000)]


class LocationPassage(Wire):
    """Locations by key: those that come and go with a change of revision, those whose content or
    applicability changes, and for those that come under another key the key they had before."""

    from_revision_id: UUID
    from_revision: str
    to_revision_id: UUID
    to_revision: str
    came: list[str]
    went: list[str]
    changed: list[str]
    renamed: dict[str, str]


class BindingMade(Wire):
    binding: Binding
    passage: LocationPassage
    inspection: InspectionDetail

"""A standard plan document as the agent and the service read it.

The published JSON Schema (service/plans/plan.schema.json) is the definition;
these are the shapes it decodes into, camelCase in the document.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from service.contract.wire import Wire

Requires = Literal["nothing", "second_look", "engineering"]


class EvaluationWord(Wire):
    """One word of the plan's evaluation scale, and what it requires."""

    code: str
    word: str
    rank: int
    requires: Requires


class ElementRule(Wire):
    kind: str
    count: int
    start_reference: str
    count_direction: str


class PictureRule(Wire):
    required: int
    elements_per_picture: int | None = None
    per_element_group: int = 1


class Limit(Wire):
    """A numeric limit: up to `accept` is within limits, up to `refer` goes to engineering."""

    condition: str
    quantity: str
    unit: str
    accept: float
    refer: float
    note: str | None = None


class LimitText(Wire):
    accept: str | None = None
    refer: str | None = None
    stop: str | None = None


class Location(Wire):
    key: str
    name: str
    component: str
    view: str
    pictures: PictureRule
    builds: list[str]
    access_port: str | None = None
    element: ElementRule | None = None
    mandatory: bool = True
    scale_reference: bool = False
    conditions: list[str] = []
    limits: list[Limit] = []
    limit_text: LimitText | None = None
    cautions: list[str] = []
    former_key: str | None = None
    note: str | None = None


class Section(Wire):
    key: str
    name: str
    locations: list[Location]


class Interval(Wire):
    months: int | None = None
    hours: int | None = None
    starts: int | None = None


class PlanDocument(Wire):
    format: str
    plan: str
    title: str
    revision: str
    equipment_type: str
    builds: list[str]
    evaluation_scale: list[EvaluationWord]
    sections: list[Section]
    cautions: list[str] = []
    change_note: str | None = None
    interval: Interval | None = None
    invented: bool = False

    def locations(self) -> list[Location]:
        """Every location in job order."""
        return [location for section in self.sections for location in section.locations]

    def locations_for(self, build: str) -> list[Location]:
        """The locations that exist on this build, in job order (I11: the others are *not applicable*)."""
        return [location for location in self.locations() if build in location.builds]


def decode_plan(raw: bytes) -> PlanDocument:
    """A stored plan document (JSON); raises msgspec.ValidationError."""
    return msgspec.json.decode(raw, type=PlanDocument)

"""The invented demo fleet: sites, units, types, plans, locations, people, scopes, campaign.

Everything in scenario.json is invented; its `notes` say what looks odd and was kept, and what was inferred.
"""

from __future__ import annotations

from datetime import date
from functools import cache
from pathlib import Path

import msgspec


class Part(msgspec.Struct, frozen=True, rename="camel", forbid_unknown_fields=True):
    """A piece of the scenario file; members it does not know are refused."""


class Site(Part, frozen=True):
    code: str
    name: str
    kind: str
    time_zone: str
    units: int
    workstations: int
    card_profile: str | None = None
    note: str | None = None


class Build(Part, frozen=True):
    code: str
    name: str


class Port(Part, frozen=True):
    """An access port and the builds it exists on."""

    code: str
    text: str
    builds: list[str]


class EquipmentType(Part, frozen=True):
    code: str
    name: str
    builds: list[Build]
    ports: list[Port]


class Unit(Part, frozen=True):
    serial: str
    type: str
    build: str
    site: str
    position: str
    hours: int
    starts: int | None = None


class BuildCount(Part, frozen=True):
    """What one campaign owes per unit of this build."""

    build: str
    pictures: int
    locations: int
    units: int


class Revision(Part, frozen=True):
    label: str
    state: str
    effective: date | None = None
    approved_by: str | None = None
    change_note: str | None = None
    note: str | None = None


class Plan(Part, frozen=True):
    code: str
    title: str
    type: str
    revisions: list[Revision]
    interval: dict[str, int] = {}


class Person(Part, frozen=True):
    name: str
    roles: list[str]
    level: int | None = None
    site: str | None = None
    vision_check_due: date | None = None


class Scope(Part, frozen=True):
    """`clock_error_s`: seconds the scope's clock is ahead of true time."""

    asset: str
    probe: str
    site: str
    calibration_due: date
    clock_error_s: int
    note: str | None = None


class CampaignWindow(Part, frozen=True):
    name: str
    opens: date
    closes: date


class Element(Part, frozen=True):
    """The counted things at a location, and how many of them one picture shows."""

    kind: str
    count: int
    start_reference: str
    count_direction: str
    per_picture: int


class SeedLocation(Part, frozen=True):
    key: str
    name: str
    type: str
    component: str
    port: str | None
    view: str
    views_per_group: int
    pictures_required: int
    builds: list[str]
    mandatory: bool
    scale_reference: bool
    condition_set: str | None
    limit_set: str | None
    element: Element | None = None
    reference: str | None = None


class NumericLimit(Part, frozen=True):
    condition: str
    quantity: str
    unit: str
    accept: float
    refer: float
    note: str


class LimitSet(Part, frozen=True):
    text: dict[str, str]
    limits: list[NumericLimit]


class Scenario(Part, frozen=True):
    invented: str
    notes: list[str]
    operator: str
    serial_alphabet: str
    campaign: CampaignWindow
    sites: list[Site]
    types: list[EquipmentType]
    units: list[Unit]
    counts_per_build: list[BuildCount]
    fleet_pictures_one_campaign: int
    plans: list[Plan]
    people: list[Person]
    scopes: list[Scope]
    events: list[str]
    condition_sets: dict[str, list[str]]
    limit_sets: dict[str, LimitSet]
    locations: list[SeedLocation]

    def locations_for(self, build: str) -> list[SeedLocation]:
        """The locations that exist on this build, in job order."""
        return [location for location in self.locations if build in location.builds]

    def location(self, key: str) -> SeedLocation:
        """Raises KeyError."""
        for location in self.locations:
            if location.key == key:
                return location
        raise KeyError(f"The scenario has no location {key}.")


@cache
def load_scenario() -> Scenario:
    """Reads the scenario file beside this module; raises msgspec.ValidationError."""
    return msgspec.json.decode(Path(__file__).with_name("scenario.json").read_bytes(), type=Scenario)


def check_letter(stem: str) -> str:
    """The check letter of a serial `stem-LETTER`: weighted character codes modulo 23.

    The rule is inferred from the invented serials (see the scenario's notes).
    """
    weighted = sum(position * ord(character) for position, character in enumerate(stem, start=1))
    return load_scenario().serial_alphabet[weighted % 23]

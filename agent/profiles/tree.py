"""The folder tree and the list files of a card. Pure: the same plan and profile, the same tree."""

from __future__ import annotations

import posixpath
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from agent.profiles.fitting import NameLimits, fit_names
from agent.profiles.schema import LIST_NAMES, FolderLevel, ListFile, Profile
from service.contract.plan_document import Location, PlanDocument

OWN_NAMES = (
    "SIGHTLEDGER-CARD.json",
    "SIGHTLEDGER-JOB.html",
    "SIGHTLEDGER-JOB.pdf",
    "SIGHTLEDGER-JOB.txt",
    "SIGHTLEDGER-SLATES.html",
    *LIST_NAMES.values(),
    "DCIM",
)


@dataclass(frozen=True, slots=True)
class Folder:
    """One folder to make. `location` None: only a step on the way (a section)."""

    path: str
    location: str | None = None
    element: int | None = None
    element_last: int | None = None
    evaluation: str | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """What a tree is made from: a plan document as it applies to one build."""

    document: PlanDocument
    build: str

    def locations(self) -> list[Location]:
        return self.document.locations_for(self.build)

    def location_fields(self) -> dict[str, dict[str, object]]:
        """Template fields of each location, numbered in job order."""
        return {
            location.key: {
                "number": number,
                "key": location.key,
                "name": location.name,
                "port": location.access_port or "",
                "view": location.view,
            }
            for number, location in enumerate(self.locations(), 1)
        }


def folder_tree(plan: Plan, profile: Profile) -> list[Folder]:
    """Every folder to make below the card's root, parents before children; empty for a flat profile."""
    if not profile.folders:
        return []
    limits = profile.names.limits()
    taken = {*OWN_NAMES, *(path.split("/")[0] for path in profile.make)}
    levels = list(profile.folders)
    if levels[0].of == "section":
        return _sections(plan, levels, limits, taken)
    return _locations(plan, plan.locations(), levels, limits, taken, "")


def _sections(plan: Plan, levels: list[FolderLevel], limits: NameLimits, taken: set[str]) -> list[Folder]:
    of_build = [
        (number, section, [location for location in section.locations if plan.build in location.builds])
        for number, section in enumerate(plan.document.sections, 1)
    ]
    of_build = [entry for entry in of_build if entry[2]]
    wanted = {
        section.key: levels[0].template.format(number=number, key=section.key, name=section.name)
        for number, section, _ in of_build
    }
    names = fit_names(wanted, limits, taken)
    made = []
    for _, section, locations in of_build:
        path = names[section.key]
        made += [Folder(path), *_locations(plan, locations, levels[1:], limits, set(), path)]
    return made


def _locations(
    plan: Plan,
    locations: list[Location],
    levels: list[FolderLevel],
    limits: NameLimits,
    taken: set[str],
    above: str,
) -> list[Folder]:
    fields = plan.location_fields()
    wanted = {location.key: levels[0].template.format(**fields[location.key]) for location in locations}
    names = fit_names(wanted, limits, taken)
    made = []
    for location in locations:
        own = Folder(posixpath.join(above, names[location.key]), location.key)
        made += [own, *_below(plan, location, own, levels[1:], limits)]
    return made


def _below(
    plan: Plan, location: Location, above: Folder, levels: list[FolderLevel], limits: NameLimits
) -> list[Folder]:
    if not levels:
        return []
    level, rest = levels[0], levels[1:]
    children = _ranges(location, level) if level.of == "element_range" else _evaluations(plan, level)
    if not children:
        return _below(plan, location, above, rest, limits)
    names = fit_names({key: name for key, (name, _) in children.items()}, limits)
    made = []
    for key, (_, extend) in children.items():
        child = extend(posixpath.join(above.path, names[key]), above)
        made += [child, *_below(plan, location, child, rest, limits)]
    return made


Extend = Callable[[str, Folder], Folder]


def _ranges(location: Location, level: FolderLevel) -> dict[str, tuple[str, Extend]]:
    """Folders of `level.elements` elements each; none where the location counts no elements."""
    if location.element is None:
        return {}
    made: dict[str, tuple[str, Extend]] = {}
    for first in range(1, location.element.count + 1, level.elements):
        last = min(first + level.elements - 1, location.element.count)
        name = level.template.format(first=first, last=last, kind=location.element.kind)
        made[f"{first}-{last}"] = (name, _with_range(first, last))
    return made


def _with_range(first: int, last: int) -> Extend:
    return lambda path, above: Folder(path, above.location, first, last if last > first else None)


def _evaluations(plan: Plan, level: FolderLevel) -> dict[str, tuple[str, Extend]]:
    return {
        evaluation.code: (
            level.template.format(number=number, code=evaluation.code, word=evaluation.word),
            _with_evaluation(evaluation.code),
        )
        for number, evaluation in enumerate(plan.document.evaluation_scale, 1)
    }


def _with_evaluation(code: str) -> Extend:
    return lambda path, above: Folder(path, above.location, above.element, above.element_last, code)


def list_text(listed: ListFile, plan: Plan, terms: Mapping[str, str]) -> str:
    """The lines of a list file, each ended by CR LF. `terms` maps `list:code` to the word of a condition."""
    lines = [listed.line.format(**fields) for fields in _list_fields(listed, plan, terms)]
    return "".join(f"{' '.join(line.split())}\r\n" for line in lines)


def _list_fields(listed: ListFile, plan: Plan, terms: Mapping[str, str]) -> Iterable[Mapping[str, object]]:
    if listed.each == "location":
        return list(plan.location_fields().values())
    if listed.each == "evaluation":
        scale = plan.document.evaluation_scale
        return [
            {"number": n, "code": evaluation.code, "word": evaluation.word}
            for n, evaluation in enumerate(scale, 1)
        ]
    conditions = dict.fromkeys(code for location in plan.locations() for code in location.conditions)
    return [{"number": n, "code": c, "word": terms.get(c, c)} for n, c in enumerate(conditions, 1)]


@dataclass(frozen=True, slots=True)
class OrderedPicture:
    """One picture of the prepared order: the location and, where counted, its elements."""

    location: str
    element: int | None = None
    element_last: int | None = None


def picture_order(plan: Plan) -> list[OrderedPicture]:
    """The required pictures in job order, as a person without folders is asked to take them."""
    order = []
    for location in plan.locations():
        groups = _element_groups(location)
        for index in range(location.pictures.required):
            first, last = groups[index] if index < len(groups) else (None, None)
            order.append(OrderedPicture(location.key, first, last if last != first else None))
    return order


def _element_groups(location: Location) -> list[tuple[int, int] | tuple[None, None]]:
    """Which elements each required picture shows; empty where the rule does not come out even."""
    rule, element = location.pictures, location.element
    if element is None or not rule.elements_per_picture:
        return []
    each = rule.elements_per_picture
    spans = [(first, min(first + each - 1, element.count)) for first in range(1, element.count + 1, each)]
    groups: list[tuple[int, int] | tuple[None, None]] = [
        s for s in spans for _ in range(rule.per_element_group)
    ]
    return groups if len(groups) == rule.required else []

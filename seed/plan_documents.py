"""Writes the scenario's standard plans as plan documents (YAML, format sightledger-plan/1).

`python -m seed.plan_documents` rewrites seed/plans/. The scenario lists the locations of VIP-KG3-P revision C
and VIP-LT40-P revision A; every other revision is made from those by the change it records.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import yaml

from seed.scenario import LimitSet, Plan, Scenario, SeedLocation, load_scenario

Document = dict[str, Any]

HEADER = "# INVENTED for the demonstration; not from any maker or standard. Made by seed/plan_documents.py.\n"

EVALUATION_SCALE = [
    {"code": "nothing_recordable", "word": "nothing recordable", "rank": 0, "requires": "nothing"},
    {"code": "within_limits", "word": "within limits", "rank": 1, "requires": "nothing"},
    {"code": "watch", "word": "watch at next inspection", "rank": 2, "requires": "second_look"},
    {"code": "refer", "word": "refer to engineering", "rank": 3, "requires": "engineering"},
    {"code": "beyond_limits", "word": "beyond limits", "rank": 4, "requires": "engineering"},
]

CAUTIONS = {
    "KG3": [
        "ISOL",
        "SHIFT",
        "TURN",
        "WIND",
        "PRES",
        "CONF",
        "OPT",
        "CHEM",
        "ELEC",
        "FOD",
        "FALL",
        "NOISE",
        "PROBE",
    ],
    "LT40": [
        "ISOL",
        "SHIFT",
        "TURN",
        "HEAT",
        "PRES",
        "CONF",
        "OPT",
        "EX",
        "CHEM",
        "PURGE",
        "ELEC",
        "FOD",
        "NOISE",
        "PROBE",
    ],
}

SECTIONS: dict[str, dict[str, tuple[str, ...]]] = {
    "KG3": {
        "General": ("KG.GEN.",),
        "Stage 1 gears": ("KG.1.RING", "KG.1.PL1", "KG.1.PL2", "KG.1.PL3", "KG.1.SUN"),
        "Planet and carrier bearings": ("KG.1.",),
        "Stage 2 and 3 gears": ("KG.2.", "KG.3."),
        "Shaft bearings": ("KG.B.",),
    },
    "LT40": {
        "General": ("GT.GEN.",),
        "Compressor": ("GT.C.",),
        "Combustor": ("GT.K.",),
        "Turbine": ("GT.T.",),
    },
}

EVENT_LOCATIONS = (
    "KG.GEN.ID", "KG.GEN.RES", "KG.GEN.SUMP", "KG.1.RING", "KG.1.SUN", "KG.1.PLC-B",
    "KG.2.PIN", "KG.3.PIN", "KG.B.IMS-A", "KG.B.HS-A", "KG.B.HS-B", "KG.B.HS-C",
)  # fmt: skip


def plan_documents(scenario: Scenario | None = None) -> dict[str, Document]:
    """Every plan document of the scenario, by file name without suffix (`VIP-KG3-P-C`)."""
    scenario = scenario or load_scenario()
    periodic_c = _base(scenario, "VIP-KG3-P", "C", lambda location: True)
    periodic_b = _gearbox_revision_b(scenario, periodic_c)
    turbine_a = _base(scenario, "VIP-LT40-P", "A", lambda location: True)
    documents = [
        _gearbox_revision_a(scenario, periodic_b),
        periodic_b,
        periodic_c,
        _base(scenario, "VIP-KG3-E", "A", lambda location: location.key in EVENT_LOCATIONS),
        turbine_a,
        _turbine_revision_b(scenario, turbine_a),
        _base(scenario, "VIP-LT40-K", "A", lambda location: location.key.startswith(("GT.GEN.", "GT.K."))),
    ]
    return {f"{document['plan']}-{document['revision']}": document for document in documents}


def to_yaml(document: Document) -> str:
    """The document as YAML text, labelled as invented."""
    body = yaml.dump(document, Dumper=_PlainDumper, sort_keys=False, allow_unicode=True, width=100)
    return HEADER + body


def write_plans(folder: Path) -> list[Path]:
    """Writes every plan document into `folder` and returns the files."""
    written = []
    for name, document in plan_documents().items():
        path = folder / f"{name}.yaml"
        path.write_text(to_yaml(document), encoding="utf-8", newline="\n")
        written.append(path)
    return written


class _PlainDumper(yaml.SafeDumper):
    """Anchors would make the plan harder to edit by hand; short lists read better on one line."""

    def ignore_aliases(self, data: object) -> bool:
        return True


def _short_lists(dumper: yaml.SafeDumper, entries: list[Any]) -> yaml.SequenceNode:
    plain = all(isinstance(entry, str) for entry in entries)
    return dumper.represent_sequence("tag:yaml.org,2002:seq", entries, flow_style=plain)


_PlainDumper.add_representer(list, _short_lists)


def _base(scenario: Scenario, code: str, label: str, wanted: Callable[[SeedLocation], bool]) -> Document:
    plan = next(plan for plan in scenario.plans if plan.code == code)
    equipment = next(kind for kind in scenario.types if kind.code == plan.type)
    locations = [loc for loc in scenario.locations if loc.type == plan.type and wanted(loc)]
    document = _heading(plan, label)
    document["builds"] = [build.code for build in equipment.builds]
    if plan.interval:
        document["interval"] = dict(plan.interval)
    document["evaluationScale"] = deepcopy(EVALUATION_SCALE)
    document["cautions"] = list(CAUTIONS[plan.type])
    document["sections"] = _sections(plan.type, [_location(loc, scenario) for loc in locations])
    return document


def _heading(plan: Plan, label: str) -> Document:
    revision = next(revision for revision in plan.revisions if revision.label == label)
    document: Document = {
        "format": "sightledger-plan/1",
        "plan": plan.code,
        "title": plan.title,
        "revision": label,
        "equipmentType": plan.type,
        "builds": [],
        "invented": True,
    }
    if revision.change_note:
        document["changeNote"] = revision.change_note
    return document


def _sections(equipment_type: str, locations: list[Document]) -> list[Document]:
    left = list(locations)
    sections: list[Document] = []
    for name, prefixes in SECTIONS[equipment_type].items():
        exact = [loc for loc in left if loc["key"] in prefixes]
        inside = exact or [loc for loc in left if loc["key"].startswith(prefixes)]
        left = [loc for loc in left if loc not in inside]
        if inside:
            sections.append({"key": f"S{len(sections) + 1}", "name": name, "locations": inside})
    if left:
        raise ValueError(f"No section takes {[loc['key'] for loc in left]}; add their prefix to SECTIONS.")
    return sections


def _location(loc: SeedLocation, scenario: Scenario) -> Document:
    document: Document = {
        "key": loc.key,
        "name": loc.name,
        "component": loc.component,
        "accessPort": loc.port,
        "view": f"{loc.view} ({loc.reference})" if loc.reference else loc.view,
    }
    if loc.element:
        document["element"] = {
            "kind": loc.element.kind,
            "count": loc.element.count,
            "startReference": loc.element.start_reference,
            "countDirection": loc.element.count_direction,
        }
    document["pictures"] = _pictures(loc)
    document["mandatory"] = loc.mandatory
    document["scaleReference"] = loc.scale_reference
    document["conditions"] = list(scenario.condition_sets[loc.condition_set]) if loc.condition_set else []
    if loc.limit_set:
        document |= _limits(scenario.limit_sets[loc.limit_set], document["conditions"])
    document["cautions"] = _cautions(loc)
    document["builds"] = list(loc.builds)
    document["formerKey"] = None
    return document


def _pictures(loc: SeedLocation) -> Document:
    if loc.element is None:
        return {"required": loc.pictures_required}
    required = _required(loc.element.count, loc.element.per_picture, loc.views_per_group)
    if required != loc.pictures_required:
        stated = loc.pictures_required
        raise ValueError(f"{loc.key}: {required} pictures by its counts, {stated} in the scenario.")
    return {
        "perElementGroup": loc.views_per_group,
        "elementsPerPicture": loc.element.per_picture,
        "required": required,
    }


def _required(count: int, per_picture: int, per_group: int) -> int:
    return -(-count // per_picture) * per_group


def _limits(limit_set: LimitSet, conditions: list[str]) -> Document:
    numeric = [
        {
            "condition": limit.condition,
            "quantity": limit.quantity,
            "unit": limit.unit,
            "accept": limit.accept,
            "refer": limit.refer,
            "note": limit.note,
        }
        for limit in limit_set.limits
        if limit.condition in conditions
    ]
    return {"limits": numeric, "limitText": dict(limit_set.text)}


def _cautions(loc: SeedLocation) -> list[str]:
    """Turning is needed for what turns, and to carry the probe past the fixed ring gear."""
    turned = loc.element is not None and loc.element.kind in {"tooth", "roller", "blade"}
    hot = loc.component in {"combustor", "turbine"}
    entered = loc.port in {"C0", "T3"}
    return [code for code, needed in (("TURN", turned), ("HEAT", hot), ("CONF", entered)) if needed]


def _gearbox_revision_b(scenario: Scenario, later: Document) -> Document:
    """Before C: no KG.B.IMS-C, six planet bearing rollers to a picture, another start at the sun pinion."""
    document = _revised(scenario, later, "B", "KG.1.CAR-A is now called KG.1.PLC-A; adds KG.GEN.JET")
    _drop(document, "KG.B.IMS-C")
    for loc in _locations(document):
        if loc["component"] == "planet bearing":
            loc["pictures"] |= {"elementsPerPicture": 6, "required": _required(loc["element"]["count"], 6, 1)}
    _find(document, "KG.1.SUN")["element"]["startReference"] = "first tooth past the coupling mark"
    _find(document, "KG.1.PLC-A")["formerKey"] = "KG.1.CAR-A"
    return document


def _gearbox_revision_a(scenario: Scenario, later: Document) -> Document:
    """Before B: no oil spray bars, and the carrier bearing under its former key."""
    document = _revised(scenario, later, "A", None)
    _drop(document, "KG.GEN.JET")
    _find(document, "KG.1.PLC-A").update(key="KG.1.CAR-A", formerKey=None)
    return document


def _turbine_revision_b(scenario: Scenario, earlier: Document) -> Document:
    """In review: shroud segments become mandatory and are taken one to a picture."""
    change = "GT.T.SHR1 becomes mandatory, one segment per picture (was 2)"
    document = _revised(scenario, earlier, "B", change)
    loc = _find(document, "GT.T.SHR1")
    loc["mandatory"] = True
    loc["pictures"] |= {"elementsPerPicture": 1, "required": _required(loc["element"]["count"], 1, 1)}
    return document


def _revised(scenario: Scenario, other: Document, label: str, change: str | None) -> Document:
    """A copy of `other` under the heading of revision `label`, members in the same order."""
    plan = next(plan for plan in scenario.plans if plan.code == other["plan"])
    heading = _heading(plan, label)
    if change:
        heading["changeNote"] = change
    body = {name: deepcopy(value) for name, value in other.items() if name not in {*heading, "changeNote"}}
    return {**heading, "builds": list(other["builds"]), **body}


def _locations(document: Document) -> list[Document]:
    return [loc for section in document["sections"] for loc in section["locations"]]


def _find(document: Document, key: str) -> Document:
    return next(loc for loc in _locations(document) if loc["key"] == key)


def _drop(document: Document, key: str) -> None:
    for section in document["sections"]:
        section["locations"] = [loc for loc in section["locations"] if loc["key"] != key]


if __name__ == "__main__":
    for path in write_plans(Path(__file__).with_name("plans")):
        print(path.name)

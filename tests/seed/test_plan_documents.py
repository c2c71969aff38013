"""The shipped plan documents: as generated, well formed, and different from revision to revision as told."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Any

import msgspec
import pytest
import yaml

from seed.plan_documents import plan_documents, to_yaml, write_plans
from seed.scenario import load_scenario
from service.contract.plan_document import PlanDocument

DOCUMENTS = plan_documents()


def plan(name: str) -> PlanDocument:
    return msgspec.convert(DOCUMENTS[name], PlanDocument)


def test_shipped_files_are_what_the_generator_makes(tmp_path: Path) -> None:
    made = {path.name: path.read_bytes() for path in write_plans(tmp_path)}
    shipped = {path.name: path.read_bytes() for path in Path(str(files("seed") / "plans")).glob("*.yaml")}
    assert made == shipped


def test_every_revision_of_the_scenario_has_a_document() -> None:
    told = {
        f"{entry.code}-{revision.label}" for entry in load_scenario().plans for revision in entry.revisions
    }
    assert set(DOCUMENTS) == told


@pytest.mark.parametrize("name", DOCUMENTS)
def test_document_decodes_strictly_and_survives_yaml(name: str) -> None:
    text = to_yaml(DOCUMENTS[name])
    assert text.startswith("# INVENTED")
    assert yaml.safe_load(text) == DOCUMENTS[name]
    document = plan(name)
    assert document.invented
    keys = [loc.key for loc in document.locations()]
    assert len(set(keys)) == len(keys) > 0
    assert [evaluation.rank for evaluation in document.evaluation_scale] == [0, 1, 2, 3, 4]


@pytest.mark.parametrize("name", DOCUMENTS)
def test_limits_are_in_order_and_of_allowed_conditions(name: str) -> None:
    for loc in plan(name).locations():
        for limit in loc.limits:
            assert limit.accept <= limit.refer
            assert limit.condition in loc.conditions
        if loc.element and loc.pictures.elements_per_picture:
            groups = -(-loc.element.count // loc.pictures.elements_per_picture)
            assert loc.pictures.required == groups * loc.pictures.per_element_group


@pytest.mark.parametrize(
    ("name", "builds"), [("VIP-KG3-P-C", ["KG3A", "KG3B"]), ("VIP-LT40-P-A", ["LT40-1", "LT40-2"])]
)
def test_pictures_per_build_are_the_scenarios(name: str, builds: list[str]) -> None:
    stated = {count.build: (count.locations, count.pictures) for count in load_scenario().counts_per_build}
    document = plan(name)
    assert document.builds == builds
    for build in builds:
        locations = document.locations_for(build)
        assert (len(locations), sum(loc.pictures.required for loc in locations)) == stated[build]


def by_key(name: str) -> dict[str, Any]:
    return {loc.key: loc for loc in plan(name).locations()}


def test_revision_c_changes_what_its_note_says_and_nothing_else() -> None:
    before, after = by_key("VIP-KG3-P-B"), by_key("VIP-KG3-P-C")
    assert set(after) - set(before) == {"KG.B.IMS-C"}
    assert set(before) - set(after) == set()
    changed = {key for key, loc in before.items() if loc != after[key]}
    planet_bearings = {f"KG.1.PL{number}-{row}" for number in (1, 2, 3) for row in "AB"}
    assert changed == {"KG.1.SUN", "KG.1.PLC-A"} | planet_bearings
    assert {before[key].pictures.elements_per_picture for key in planet_bearings} == {6}
    assert {after[key].pictures.elements_per_picture for key in planet_bearings} == {4}
    assert before["KG.1.SUN"].element.start_reference != after["KG.1.SUN"].element.start_reference
    assert before["KG.1.PLC-A"].former_key == "KG.1.CAR-A"


def test_revision_b_adds_a_location_and_renames_one() -> None:
    before, after = by_key("VIP-KG3-P-A"), by_key("VIP-KG3-P-B")
    assert set(after) - set(before) == {"KG.GEN.JET", "KG.1.PLC-A"}
    assert set(before) - set(after) == {"KG.1.CAR-A"}
    renamed = {loc.former_key for loc in after.values() if loc.former_key}
    assert renamed == {"KG.1.CAR-A"}
    assert [key for key in before if before[key] != after.get(key)] == ["KG.1.CAR-A"]

"""The term lists against the standards they name, and their provenance."""

from __future__ import annotations

import pytest

from service.plans import vocabulary
from service.plans.rules import STATE_AFTER

# ISO 15243:2017, the titles of 5.1 to 5.6, as the contents list of the BSI catalogue page shows them.
ISO_15243_MODES = {
    "5.1": "rolling contact fatigue",
    "5.2": "wear",
    "5.3": "corrosion",
    "5.4": "electrical erosion",
    "5.5": "plastic deformation",
    "5.6": "cracking and fracture",
}
# ISO 10825:1995 (withdrawn), the six first-level groups, from the table of a public tribology course.
ISO_10825_1995_GROUPS = {
    "1": "indications of surface disturbances",
    "2": "scuffing",
    "3": "permanent deformations",
    "4": "surface fatigue phenomena",
    "5": "fissures and cracks",
    "6": "tooth breakage",
}


def test_iso_15243_six_parent_modes() -> None:
    held = vocabulary.term_lists()["bearing_damage"]
    modes = {term.code: term.term for term in held.terms if term.parent is None and term.code[0] == "5"}
    assert modes == ISO_15243_MODES
    assert "ISO 15243:2017" in held.source
    assert held.provenance == "seen"
    sub_modes = [term for term in held.terms if term.parent is not None]
    assert all(term.code.split("-")[0] == term.parent.split("-")[0] for term in sub_modes if term.parent)
    # What is no ISO term says so itself.
    [foreign] = [term for term in held.terms if not term.code.startswith("5.")]
    assert foreign.provenance is not None
    assert "not an ISO term" in foreign.provenance


def test_iso_10825_1995_numbered_tree() -> None:
    held = vocabulary.term_lists()["gear_damage_1995"]
    assert "ISO 10825:1995" in held.source
    assert "withdrawn" in held.source
    assert {term.code: term.term for term in held.terms if term.parent is None} == ISO_10825_1995_GROUPS
    children: dict[str, list[int]] = {}
    for term in held.terms:
        above, _, number = term.code.rpartition(".")
        assert (term.parent or "") == above
        children.setdefault(above, []).append(int(number))
    # A numbered tree has no gap: clauses count from 1.
    assert all(numbers == list(range(1, len(numbers) + 1)) for numbers in children.values())


def test_every_list_names_its_source_and_how_sure_the_wording_is() -> None:
    for held in vocabulary.term_lists().values():
        assert held.source
        assert held.provenance in {"seen", "memory", "house", "mixed"}
        codes = [term.code for term in held.terms]
        assert len(set(codes)) == len(codes)
        assert {term.parent for term in held.terms} <= {None, *codes}


def test_every_caution_says_where_it_comes_from() -> None:
    held = vocabulary.cautions()
    assert all(caution.text and caution.rule and caution.provenance for caution in held.values())
    assert {"ISOL", "TURN"} <= held.keys()


def test_i13_no_caution_says_that_plant_is_safe_or_isolated() -> None:
    told = " ".join(caution.text.lower() for caution in vocabulary.cautions().values())
    for claim in ("is safe to", "is isolated.", "has been isolated", "fit for service"):
        assert claim not in told


@pytest.mark.parametrize("state", [*STATE_AFTER.values(), "effective", "superseded", "draft"])
def test_states_of_a_revision_are_terms_of_the_list(state: str) -> None:
    assert vocabulary.is_term(f"document_state:{state}", "document_state")


def test_terms_are_told_from_others() -> None:
    assert vocabulary.is_term("not_inspected_reason:blocked", "not_inspected_reason")
    assert vocabulary.is_term("not_inspected_reason:blocked")
    assert not vocabulary.is_term("not_inspected_reason:blocked", "disposition")
    assert not vocabulary.is_term("blocked", "not_inspected_reason")
    assert not vocabulary.is_term("not_inspected_reason:")
    found = vocabulary.term("bearing_damage:5.1")
    assert found is not None
    assert found.term == "rolling contact fatigue"
    assert vocabulary.term("bearing_damage:9") is None
    assert vocabulary.is_condition("bearing_damage:5.1")
    assert not vocabulary.is_condition("not_inspected_reason:blocked")
    assert vocabulary.nearest_condition("bearing_damage:5.11") == "bearing_damage:5.1"
    assert vocabulary.nearest_condition("zzzz") is None

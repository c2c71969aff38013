"""Bad documents are refused with the right line and path; good ones have one canonical form."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import msgspec
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from service.contract import plan_document
from service.contract.plan_document import PlanDocument, decode_plan
from service.plans.document import (
    MAX_FINDINGS,
    canonical,
    check_bytes,
    check_file,
    check_text,
    digest,
    plain,
)
from service.plans.plan_schema import schema_text
from service.plans.plan_text import MAX_BYTES, MAX_NODES, Unreadable, read
from tests.plans.documents import PLAN, document, line_of

SCHEMA = json.loads(schema_text())
SHIPPED = sorted((Path(__file__).parents[2] / "seed" / "plans").glob("*.yaml"))

L0, L1 = "/sections/0/locations/0", "/sections/0/locations/1"

# What is replaced in PLAN, by what, then path and the words the finding has to hold. The line is that of
# the marked text after the replacement, the first occurrence of the third entry.
BAD = [
    ("revision: A", "revision: A\nrevision: B", "revision: B", "/revision", "stands twice"),
    (
        "        name: Sump",
        "        name: Sump\n        name: Pan",
        "name: Pan",
        L1 + "/name",
        "stands twice",
    ),
    ("key: SUMP", "key: RING", "key: RING\n        name: Sump", L1 + "/key", "stands twice"),
    ("key: SUMP", "key: Ring", "key: Ring", L1 + "/key", "only in case"),
    (
        "gear_damage_2022:micropitting",
        "gear_damage_2022:micropiting",
        "micropiting",
        L0 + "/conditions/0",
        "Did you mean gear_damage_2022:micropitting",
    ),
    (
        "gear_damage_2022:micropitting",
        "document_state:draft",
        "document_state",
        L0 + "/conditions/0",
        "no condition",
    ),
    ("cautions: [TURN]", "cautions: [TURNING]", "[TURNING]", L0 + "/cautions/0", "no caution 'TURNING'"),
    ("cautions: [ISOL]", "cautions: [ISOLATE]", "[ISOLATE]", "/cautions/0", "no caution"),
    (
        "accept: 1.0",
        "accept: 4.0",
        "accept: 4.0",
        L0 + "/limits/0/accept",
        "out of order: accept 4 is above refer 3",
    ),
    (
        '{condition: "gear_damage_2022:macropitting"',
        '{condition: "gear_damage_2022:scuffing"',
        "scuffing",
        L0 + "/limits/0/condition",
        "none of this location's conditions",
    ),
    ("rank: 1", "rank: 0", "code: refer", "/evaluationScale/1/rank", "Ranks have to rise"),
    (
        "rank: 0, requires: nothing",
        "rank: 0, requires: second_look",
        "evaluationScale:",
        "/evaluationScale",
        "requires nothing",
    ),
    ("code: refer", "code: Sound", "code: Sound", "/evaluationScale/1/code", "only in case"),
    (
        "word: refer to engineering",
        "word: nothing recordable",
        "word: nothing recordable, rank: 1",
        "/evaluationScale/1/word",
        "stands twice",
    ),
    ("required: 34", "required: 33", "required: 33", L0 + "/pictures/required", "need 34 pictures; 33"),
    (
        "elementsPerPicture: 3",
        "elementsPerPicture: 103",
        "elementsPerPicture",
        L0 + "/pictures/elementsPerPicture",
        "only 102",
    ),
    (
        "pictures: {required: 4}",
        "pictures: {required: 4, elementsPerPicture: 2}",
        "elementsPerPicture: 2}",
        L1 + "/pictures/elementsPerPicture",
        "no element",
    ),
    ("count: 102", "count: 0", "count: 0", L0 + "/element/count", "minimum is 1"),
    ("count: 102", "count: many", "count: many", L0 + "/element/count", "not of type integer"),
    ("builds: [X]\n", "builds: [X, Z]\n", "[X, Z]", L1 + "/builds/1", "none of the plan's"),
    ("builds: [X]\n", "builds: [X, X]\n", "[X, X]", L1 + "/builds", "stands twice"),
    ("builds: [X]\n", "builds: []\n", "builds: []", L1 + "/builds", "at least 1"),
    (
        "builds: [X, Y]\ninvented",
        "builds: [X, Y, W]\ninvented",
        "[X, Y, W]",
        "/builds/2",
        "No location exists on build 'W'",
    ),
    (
        "        builds: [X]\n",
        "        builds: [X]\n        formerKey: RING\n",
        "formerKey",
        L1 + "/formerKey",
        "also a key",
    ),
    ("revision: A", "revision: 3", "revision: 3", "/revision", "Put quotes around it"),
    ("title: A plan for tests\n", "", "format", "", "title is missing"),
    ("view: down\n", "view: down\n        colour: red\n", "colour", L1 + "/colour", "no member 'colour'"),
    (
        "requires: engineering",
        "requires: nobody",
        "requires: nobody",
        "/evaluationScale/1/requires",
        "Use one of these",
    ),
    ("sightledger-plan/1", "sightledger-plan/9", "format", "/format", "Write 'sightledger-plan/1'"),
    ("plan: P-1", "plan: P 1", "plan: P 1", "/plan", "is not written as it has to be"),
    ("plan: P-1", 'plan: "P-1\\n"', "plan: ", "/plan", "is not written as it has to be"),
    ("plan: P-1", "plan: &p P-1", "plan: &p", "/plan", "Anchors"),
    ("plan: P-1", "plan: !!python/none P-1", "plan: !!", "/plan", "tag"),
    ("view: down\n", 'view: "down\\0"\n', '"down', L1 + "/view", "control character"),
    ("view: down", "view: down: under", "down: under", "", "not YAML or JSON"),
    ("revision: A", "revision: A\n---\nplan: P-2", "---", "", "second document"),
]


@pytest.mark.parametrize(("old", "new", "marked", "path", "words"), BAD)
def test_bad_document_is_refused_with_line_and_path(
    old: str, new: str, marked: str, path: str, words: str
) -> None:
    assert old in PLAN
    text = PLAN.replace(old, new, 1) if not old.endswith("[X]\n") else new.join(PLAN.rsplit(old, 1))
    checked = check_text(text, "bad.yaml")
    assert checked.document is None
    found = [f for f in checked.findings if f.path == path and words in f.message]
    assert found, checked.text()
    line = line_of(text, marked)
    assert [f.line for f in found] == [line], checked.text()
    assert f"bad.yaml:{line}:" in checked.text()


def test_faults_are_told_together_in_the_order_of_lines() -> None:
    text = PLAN.replace("accept: 1.0", "accept: 9.0").replace("rank: 1", "rank: 0").replace("[TURN]", "[T]")
    lines = [found.line for found in check_text(text, "bad").findings]
    assert len(lines) == 3
    assert lines == sorted(lines)


def test_former_key_can_be_followed_by_one_location_only() -> None:
    text = PLAN.replace("        builds: [X]\n", "        builds: [X]\n        formerKey: OLD\n")
    text = text.replace("        cautions: [TURN]\n", "        cautions: [TURN]\n        formerKey: OLD\n")
    [found] = check_text(text, "bad").findings
    assert (found.path, found.line) == (L1 + "/formerKey", text.count("\n"))
    assert "Only one can follow it" in found.message


def test_a_second_limit_of_the_same_quantity_is_refused() -> None:
    line = next(line for line in PLAN.splitlines(keepends=True) if "accept: 1.0" in line)
    [found] = check_text(PLAN.replace(line, line + line), "bad").findings
    assert found.line == line_of(PLAN, line) + 1
    assert "A second limit" in found.message


@pytest.mark.parametrize("tabs", [False, True])
def test_json_goes_the_same_way_with_the_same_lines(tabs: bool) -> None:
    text = json.dumps(yaml.safe_load(PLAN), indent="\t" if tabs else 2)
    assert check_text(text, "plan.json").document == document()
    spoilt = text.replace('"count": 102', '"count": -1')
    [found] = check_text(spoilt, "plan.json").findings
    assert (found.line, found.path) == (line_of(spoilt, '"count"'), L0 + "/element/count")


def test_a_character_written_as_two_json_escapes_is_read_as_one() -> None:
    text = json.dumps(yaml.safe_load(PLAN) | {"title": "\U0001f529 plan \\ud83d\\udd29"})
    assert "\\ud83d\\udd29 plan" in text  # RFC 8259 7: two escapes outside the basic plane
    checked = check_text(text, "plan.json")
    assert checked.document is not None, checked.text()
    assert checked.document.title == "\U0001f529 plan \\ud83d\\udd29"


def test_plain_yaml_words_stay_text() -> None:
    assert read("[no, on, 12:30, 2026-01-02, 0x1F, .inf, 1_000]").data == [
        "no", "on", "12:30", "2026-01-02", "0x1F", ".inf", "1_000",
    ]  # fmt: skip
    assert read("[null, ~, true, False, 7, -1.5, 1e3, '7']").data == [
        None,
        None,
        True,
        False,
        7,
        -1.5,
        1e3,
        "7",
    ]


@pytest.mark.parametrize(
    "bomb",
    [
        "a: &a [x]\nb: [*a, *a]",
        "[" * 50_000,
        "{a: " * 50_000,
        "x: " + "y" * MAX_BYTES,
        "[" + "1," * (MAX_NODES + 1) + "1]",
        "? [a, b]\n: c",
        "*a : 1",
        "",
        "# nothing but words",
    ],
)
def test_bombs_and_oddities_are_refused_whole(bomb: str) -> None:
    with pytest.raises(Unreadable):
        read(bomb)


def test_bytes_that_are_no_utf8_are_refused_at_their_place(tmp_path: Path) -> None:
    file = tmp_path / "plan.yaml"
    file.write_bytes(b"format: x\ntitle: caf\xe9\n")
    [found] = check_file(file).findings
    assert (found.line, found.column) == (2, 11)
    assert "UTF-8" in found.message


def test_a_control_character_is_shown_at_its_place() -> None:
    [found] = check_text("format: x\r\ntitle: a\x01b", "bad").findings
    assert (found.line, found.column) == (2, 9)


def test_findings_are_bounded() -> None:
    text = json.dumps({f"x{n}": n for n in range(5 * MAX_FINDINGS)})
    assert len(check_text(text, "bad").findings) == MAX_FINDINGS


@given(st.text(max_size=200))
def test_no_text_makes_the_check_fail(text: str) -> None:
    assert check_text(text, "any").findings


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@given(st.sampled_from(["title", "builds", "evaluationScale", "sections", "interval", "cautions"]), anything)
def test_no_value_makes_the_check_fail(member: str, value: Any) -> None:
    checked = check_text(json.dumps(yaml.safe_load(PLAN) | {member: value}), "any")
    assert (checked.document is None) == any(found.severity == "error" for found in checked.findings)


@pytest.mark.parametrize("file", SHIPPED, ids=lambda file: file.stem)
def test_shipped_documents_are_well_formed_and_canonical_form_is_stable(file: Path) -> None:
    checked = check_file(file)
    assert checked.document is not None, checked.text()
    assert checked.findings == [], checked.text()
    raw = canonical(checked.document)
    assert check_bytes(raw, "again").document == decode_plan(raw) == checked.document
    Draft202012Validator(SCHEMA).validate(json.loads(raw))


def test_canonical_form_does_not_depend_on_how_it_was_written() -> None:
    turned = json.dumps(dict(reversed(yaml.safe_load(PLAN).items())) | {"changeNote": None})
    written_out = msgspec.json.encode(document())
    digests = {digest(document()), digest(check_text(turned, "x").document), digest(decode_plan(written_out))}  # type: ignore[arg-type]
    assert len(digests) == 1
    assert digest(document()) != digest(msgspec.structs.replace(document(), revision="B"))
    assert "changeNote" not in plain(document())


def test_schema_is_valid_json_schema_2020_12() -> None:
    """JSON Schema 2020-12, checked against its own metaschema by the jsonschema library."""
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert SCHEMA["$id"].startswith("urn:")
    Draft202012Validator.check_schema(SCHEMA)


SHAPES = {
    "": plan_document.PlanDocument,
    "evaluationWord": plan_document.EvaluationWord,
    "interval": plan_document.Interval,
    "section": plan_document.Section,
    "location": plan_document.Location,
    "element": plan_document.ElementRule,
    "pictures": plan_document.PictureRule,
    "limit": plan_document.Limit,
    "limitText": plan_document.LimitText,
}


@pytest.mark.parametrize("name", SHAPES)
def test_schema_and_wire_shapes_name_the_same_members(name: str) -> None:
    part = SCHEMA["$defs"][name] if name else SCHEMA
    members = {member.encode_name: member for member in msgspec.structs.fields(SHAPES[name])}
    assert part["properties"].keys() == members.keys()
    assert set(part.get("required", [])) == {n for n, member in members.items() if member.required}
    assert part["additionalProperties"] is False
    for told, member in ((part["properties"][n], m) for n, m in members.items()):
        assert told["description"]
        if not member.required:
            default = member.default_factory() if member.default is msgspec.NODEFAULT else member.default
            assert told["default"] == default


def test_every_object_of_the_schema_has_a_wire_shape() -> None:
    objects = {name for name, part in SCHEMA["$defs"].items() if "properties" in part}
    assert objects == SHAPES.keys() - {""}


def test_a_document_decodes_into_the_wire_shape() -> None:
    checked = check_text(PLAN, "plan.yaml")
    assert checked.findings == []
    assert isinstance(checked.document, PlanDocument)
    assert [location.key for location in checked.document.locations_for("Y")] == ["RING"]


def test_members_that_are_missing_together_are_told_once():
    findings = check_text("format: sightledger-plan/1\nplan: A\n", "short.yaml").findings
    missing = [found for found in findings if "missing" in found.message]
    assert len(missing) == 1
    assert "title" in missing[0].message
    assert "sections" in missing[0].message

"""Figures of a plan: none makes the check fail, units are those of a list, and words beside figures agree."""

from __future__ import annotations

import json
from typing import Any

import msgspec
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

import service.contract.plans as wire
from service.contract import plan_document
from service.contract.plan_document import Limit, LimitText, PlanDocument
from service.plans.difference import difference, difference_text
from service.plans.document import check_text
from service.plans.plan_schema import schema_text
from tests.plans.documents import PLAN, document, line_of

L0 = "/sections/0/locations/0"
LIMIT = "unit: mm, accept: 1.0, refer: 3.0}"


def findings(text: str, path: str) -> list[tuple[str, str]]:
    return [(found.severity, found.message) for found in check_text(text, "p").findings if found.path == path]


@pytest.mark.parametrize("figure", [0, -1, -3, 10**6, 10**30, 1e300])
def test_elements_per_picture_out_of_range_is_told_and_divides_nothing(figure: float) -> None:
    text = PLAN.replace("elementsPerPicture: 3", f"elementsPerPicture: {figure}")
    checked = check_text(text, "p")
    assert checked.document is None
    [found] = [one for one in checked.findings if one.path == f"{L0}/pictures/elementsPerPicture"]
    assert found.line == line_of(text, "elementsPerPicture")


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    members = (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else []
    )
    return [path, *(at for name, member in members for at in places(member, (*path, name)))]


def put(value: Any, path: tuple[Any, ...], odd: Any) -> Any:
    if not path:
        return odd
    copy = value.copy()
    copy[path[0]] = put(value[path[0]], path[1:], odd)
    return copy


FULL = yaml.safe_load(PLAN)
FULL["interval"] = {"months": 24}
FULL["sections"][0]["locations"][0]["limitText"] = {"accept": "pit <= 1 mm", "refer": "pit <= 3 mm"}
ODD = st.sampled_from(
    [0, -1, 1, 10**9, 10**17, 10**40, -(10**40), 1e308, 5e-324, 0.5, "", " ", "NaN", ".inf", "\u00b5", None,
     True, [], {}, [None], {"": 0}]
)  # fmt: skip


@given(st.lists(st.tuples(st.sampled_from(places(FULL)), ODD), min_size=1, max_size=3))
def test_no_odd_value_anywhere_makes_the_check_fail(changes: list[tuple[tuple[Any, ...], Any]]) -> None:
    spoilt = FULL
    for path, odd in changes:
        try:
            spoilt = put(spoilt, path, odd)
        except (KeyError, IndexError, TypeError, AttributeError):
            continue  # The place went with an earlier change.
    checked = check_text(json.dumps(spoilt), "p")
    errors = [found for found in checked.findings if found.severity == "error"]
    assert (checked.document is None) == bool(errors)
    assert all(found.message and found.line >= 1 for found in checked.findings)


@pytest.mark.parametrize(
    ("unit", "hint"),
    [("mmm", "Use one of: mm, "), ("MM", "Did you mean mm?"), ("mm\u00b2", "Did you mean mm2?"),
     ("\u03bcm", "Did you mean \u00b5m?"), ("furlong", "Use one of"), ("unit_of_measure", "Use one of")],
)  # fmt: skip
def test_a_unit_is_one_of_the_list(unit: str, hint: str) -> None:
    [(severity, told)] = findings(PLAN.replace("unit: mm,", f"unit: {unit},"), f"{L0}/limits/0/unit")
    assert severity == "error"
    assert hint in told


@pytest.mark.parametrize("unit", ["mm", "mm2", "'%'", "\u00b5m", "r/min", "N\u00b7m", "'1'"])
def test_symbols_of_nist_sp_811_are_taken(unit: str) -> None:
    """NIST SP 811:2008, tables 1, 3, 5 and 8 (from memory); exponents in plain digits as in UCUM."""
    assert not check_text(PLAN.replace("unit: mm,", f"unit: {unit},"), "p").findings


@pytest.mark.parametrize(
    ("old", "new", "path", "words"),
    [
        ("builds: [X, Y]\ninvented", "builds: [X, Y, x]\ninvented", "/builds/2", "only in case"),
        ("word: refer to engineering", "word: NOTHING recordable", "/evaluationScale/1/word", "only in case"),
        (
            "word: refer to engineering",
            "word: nothing\u00a0recordable",
            "/evaluationScale/1/word",
            "stands twice, as 'nothing\\xa0recordable'",
        ),
        (
            "word: refer to engineering",
            'word: "noth\\u200bing recordable"',
            "/evaluationScale/1/word",
            "stands twice, as",
        ),
        ("invented: true", "interval: {months: null}\ninvented: true", "/interval", "gives no count"),
        ("rank: 1", "rank: -1", "/evaluationScale/1/rank", "minimum is 0"),
        ("accept: 1.0", "accept: .nan", f"{L0}/limits/0/accept", "not of type number"),
        ("refer: 3.0", "refer: .inf", f"{L0}/limits/0/refer", "not of type number"),
        ("refer: 3.0", "refer: 1e999", f"{L0}/limits/0/refer", "not of type number"),
        ("refer: 3.0", "refer: 1e99", f"{L0}/limits/0/refer", "out of range"),
        ("accept: 1.0", "accept: -1.0", f"{L0}/limits/0/accept", "out of range"),
        ("required: 34", "required: -34", f"{L0}/pictures/required", "out of range"),
        ("perElementGroup: 1", "perElementGroup: 0", f"{L0}/pictures/perElementGroup", "out of range"),
    ],
)
def test_holes_of_the_check_are_closed(old: str, new: str, path: str, words: str) -> None:
    assert old in PLAN
    told = findings(PLAN.replace(old, new, 1), path)
    assert any(severity == "error" and words in message for severity, message in told), told


def test_the_same_quantity_in_other_letters_is_a_second_limit() -> None:
    line = next(line for line in PLAN.splitlines(keepends=True) if "accept: 1.0" in line)
    text = PLAN.replace(line, line + line.replace("quantity: size", "quantity: SIZE"))
    [(severity, told)] = findings(text, f"{L0}/limits/1")
    assert severity == "error"
    assert "A second limit" in told


def with_text(accept: str, refer: str, limit: str = LIMIT) -> str:
    words = f"        limitText: {{accept: {accept!r}, refer: {refer!r}}}\n"
    return PLAN.replace(LIMIT, limit).replace(
        "        cautions: [TURN]\n", f"        cautions: [TURN]\n{words}"
    )


@pytest.mark.parametrize(
    ("accept", "refer"),
    [
        ("single pit <= 1.0 mm", "pit up to 3 mm"),
        ("up to 1 mm", "1-3 mm, or inner third"),
        ("up to 1,0 mm", "1 to 3 mm; 3 pits"),
    ],
)
def test_words_that_name_the_figures_are_told_nothing(accept: str, refer: str) -> None:
    checked = check_text(with_text(accept, refer), "p")
    assert checked.findings == []
    assert checked.document is not None


@pytest.mark.parametrize(
    ("accept", "refer", "limit", "told"),
    [
        # The figure was changed and the words were not: the inspector would read the old one.
        ("up to 1 mm", "up to 3 mm", "unit: mm, accept: 1.0, refer: 2.5}", ["names 3 mm", "refer 2.5 mm"]),
        ("up to 1 mm", "up to 3 mm", "unit: mm, accept: 0.5, refer: 3.0}", ["names 1 mm", "accept 0.5 mm"]),
        ("up to 1.5 mm", "up to 3 mm", LIMIT, ["names 1.5 mm", "accept 1 mm"]),
        ("up to 1 mm", "more than 3 pits", LIMIT, ["refer 3 mm"]),
        ("up to 1 mm", "up to 3 mm, more than 7 pits", LIMIT, ["names 7"]),
    ],
)
def test_words_that_differ_from_the_figures_are_a_warning(
    accept: str, refer: str, limit: str, told: list[str]
) -> None:
    text = with_text(accept, refer, limit)
    checked = check_text(text, "p")
    assert checked.document is not None
    assert [found.severity for found in checked.findings] == ["warning"] * len(told)
    assert all(any(words in found.message for found in checked.findings) for words in told), checked.text()
    assert {(found.path, found.line) for found in checked.findings} == {
        (f"{L0}/limitText", line_of(text, "limitText"))
    }
    assert "p:" in checked.text()
    assert ": warning: " in checked.text()


amounts = st.floats(0.001, 999, allow_nan=False).map(lambda value: float(f"{value:.3g}"))


@given(amounts, amounts, st.sampled_from(["mm", "mm2", "%", "\u00b5m"]), st.sampled_from([" ", ""]))
def test_words_made_from_the_figures_always_agree_and_a_third_figure_never(
    one: float, other: float, unit: str, space: str
) -> None:
    from service.plans.figures import figures_and_text_differ

    accept, refer = sorted((one, other))
    place = document().locations()[0]
    limit = Limit(condition="c:d", quantity="size", unit=unit, accept=accept, refer=refer)
    words = LimitText(accept=f"up to {accept:g}{space}{unit}", refer=f"{accept:g}-{refer:g}{space}{unit}")
    agreeing = msgspec.structs.replace(place, limits=[limit], limit_text=words)
    assert list(figures_and_text_differ(agreeing)) == []
    raised = msgspec.structs.replace(limit, refer=refer + 1)
    assert len(list(figures_and_text_differ(msgspec.structs.replace(agreeing, limits=[raised])))) >= 1


def test_a_scale_whose_worse_word_requires_less_is_a_warning() -> None:
    text = PLAN.replace(
        "requires: engineering}",
        "requires: engineering}\n  - {code: out, word: beyond limits, rank: 2, requires: nothing}",
    )
    assert findings(text, "/evaluationScale/2/requires") == [
        ("warning", "'beyond limits' ranks above 'refer to engineering' and requires less. "
         "Check what it requires."),
    ]  # fmt: skip


def changed(limits: list[Limit]) -> PlanDocument:
    made = document()
    made.sections[0].locations[0].limits = limits
    return made


def test_the_difference_of_revisions_shows_the_figure_that_changed() -> None:
    [limit] = document().locations()[0].limits
    found = difference(document(), changed([msgspec.structs.replace(limit, refer=2.5)]))
    [change] = [change for place in found.changed for change in place.changes]
    assert change.field == "limits.gear_damage_2022:macropitting size (mm).refer"
    assert (change.before, change.after) == (3.0, 2.5)
    assert "size (mm).refer: 3.0 -> 2.5" in difference_text(found)


figures = st.sampled_from([0.5, 1.0, 2.0])
limits = st.lists(
    st.builds(
        Limit,
        condition=st.just("c:d"),
        quantity=st.sampled_from("abc"),
        unit=st.sampled_from(["mm", "%"]),
        accept=figures,
        refer=figures,
    ),
    max_size=3,
    unique_by=lambda limit: limit.quantity,
)


@given(limits, limits)
def test_limits_that_differ_are_always_told(one: list[Limit], other: list[Limit]) -> None:
    assert bool(difference(changed(one), changed(other)).changed) == (one != other)


def test_nothing_is_graded_on_the_wire_or_in_the_schema() -> None:
    """ISO 9712 and ASTM E1316 speak of evaluation; a grade is another thing."""
    assert "grade" not in schema_text().decode().lower()
    for module in (wire, plan_document):
        shapes = [
            one for one in vars(module).values() if isinstance(one, type) and issubclass(one, msgspec.Struct)
        ]
        names = [shape.__name__ for shape in shapes]
        names += [member.encode_name for shape in shapes for member in msgspec.structs.fields(shape)]
        assert [name for name in names if "grade" in name.lower()] == []

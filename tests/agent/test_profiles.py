"""Card profiles: the shipped ones fit the published schema; what they make and how they place."""

from __future__ import annotations

import json
import re
import tomllib
from importlib import resources
from typing import Any
from uuid import UUID

import jsonschema
import pytest

from agent.errors import AgentError
from agent.profiles.mapping import Placer
from agent.profiles.schema import SHIPPED, decode_profile, load_profile
from agent.profiles.tree import Plan, folder_tree, list_text, picture_order
from service.contract.wire import new_id
from tests.agent.station import plan_document

PLAN = Plan(plan_document(), "X")
INSPECTION: UUID = new_id()


def shipped(name: str) -> dict[str, Any]:
    return tomllib.loads(resources.files("agent.profiles").joinpath(f"{name}.toml").read_text("utf-8"))


def schema() -> dict[str, Any]:
    held: dict[str, Any] = json.loads(
        resources.files("agent.profiles").joinpath("profile.schema.json").read_text("utf-8")
    )
    return held


def test_the_schema_is_a_valid_one() -> None:
    jsonschema.Draft202012Validator.check_schema(schema())


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_profiles_fit_the_schema_and_load(name: str) -> None:
    jsonschema.Draft202012Validator(schema()).validate(shipped(name))
    assert load_profile(name).code == name


BAD = [
    ('code = "x"', "code = 5", "it has not the shape of a card profile (Expected `str`"),
    ('code = "x"', "code =", "it is no TOML in UTF-8 ("),
    ("longest = 32", "longest = 3", ">= 8"),
    ('of = "location"', 'of = "place"', "place"),
    ('template = "{number:02d} {key}"', 'template = "{key.__class__}"', "not {key.__class__}"),
    ('template = "{number:02d} {key}"', 'template = "{word}"', "not {word}"),
    ('template = "{number:02d} {key}"', 'template = "{key:02d}"', "cannot be filled in (Unknown format code"),
    ('template = "{number:02d} {key}"', 'template = "{key"', "is no template (expected '}'"),
    ('line = "{word}"', 'line = "{number:%Y-%}"', "lists[0].line: cannot be filled in ("),
    ("pattern = 'x(?P<note>.)'", "pattern = '('", "regular expression"),
    ("pattern = 'x(?P<note>.)'", "pattern = 'x'", "named groups"),
    ('make = ["P"]', 'make = ["../P"]', "below the card"),
    ('each = "evaluation"', 'each = "evaluation"\npath = "LIST.TXT"', "unknown field `path`"),
    ("[[rules]]", '[[lists]]\neach = "evaluation"\nline = "{code}"\n[[rules]]', "at most once"),
    ('allowed = "A-Za-z0-9 ._-"', 'allowed = "A-Z"', "digits"),
]
GOOD = """
format = "sightledger-card-profile/1"
code = "x"
title = "t"
make = ["P"]
[names]
longest = 32
allowed = "A-Za-z0-9 ._-"
[files]
stills = ["jpg"]
[[folders]]
of = "location"
template = "{number:02d} {key}"
[[lists]]
each = "evaluation"
line = "{word}"
[[rules]]
from = "file_name"
pattern = 'x(?P<note>.)'
confidence = 1
"""


@pytest.mark.parametrize(("right", "wrong", "said"), BAD)
def test_a_faulty_profile_is_refused_with_the_place(right: str, wrong: str, said: str) -> None:
    assert decode_profile(GOOD.encode(), "x")
    with pytest.raises(AgentError, match=re.escape(said)):
        decode_profile(GOOD.replace(right, wrong).encode(), "x")


def test_two_levels_make_location_and_evaluation_folders() -> None:
    paths = [folder.path for folder in folder_tree(PLAN, load_profile("two-level"))]
    assert paths == [
        "01 G.ID",
        "01 G.ID/nothing recordable",
        "01 G.ID/refer to engineering",
        "02 G.RING",
        "02 G.RING/nothing recordable",
        "02 G.RING/refer to engineering",
    ]


def test_the_deep_tree_has_element_ranges_only_where_elements_are_counted() -> None:
    folders = folder_tree(PLAN, load_profile("deep"))
    ranges = {(f.location, f.element, f.element_last) for f in folders if f.element}
    assert ranges == {("G.RING", 1, 20), ("G.RING", 21, 30)}
    assert "01 Gears/G.RING Ring gear/tooth 021-030/2 refer to engineering" in {f.path for f in folders}


def test_a_flat_card_has_no_folders_but_an_order() -> None:
    assert folder_tree(PLAN, load_profile("flat-dcf")) == []
    order = [(one.location, one.element, one.element_last) for one in picture_order(PLAN)]
    assert order == [("G.ID", None, None), ("G.RING", 1, 10), ("G.RING", 11, 20), ("G.RING", 21, 30)]


def test_locations_of_other_builds_are_not_on_the_card_i11() -> None:
    folders = folder_tree(Plan(plan_document(), "Y"), load_profile("two-level"))
    assert {folder.location for folder in folders} == {"G.ID"}


LISTS = """
[[lists]]
each = "location"
line = "{number:02d} {key} {name}"
[[lists]]
each = "condition"
line = "{word}"
"""


def with_lists(name: str, code: str) -> bytes:
    """A profile of a site: a shipped one that asks for list files as well."""
    text = resources.files("agent.profiles").joinpath(f"{name}.toml").read_text("utf-8")
    return (text.replace(f'code = "{name}"', f'code = "{code}"') + LISTS).encode()


def test_list_files_hold_one_line_for_each_thing_under_a_name_of_ours() -> None:
    profile = decode_profile(with_lists("two-level", "ours"), "ours")
    terms = {"gear_damage_2022:macropitting": "macropitting"}
    assert {listed.name: list_text(listed, PLAN, terms) for listed in profile.lists} == {
        "SIGHTLEDGER-LOCATIONS.txt": "01 G.ID Nameplate\r\n02 G.RING Ring gear\r\n",
        "SIGHTLEDGER-CONDITIONS.txt": "macropitting\r\n",
    }


def test_no_shipped_profile_asks_for_list_files_and_the_deeper_tree_comes_first() -> None:
    assert SHIPPED[0] == "deep"
    assert {name: load_profile(name).lists for name in SHIPPED} == {name: [] for name in SHIPPED}


def placer(profile: str = "two-level") -> Placer:
    chosen = load_profile(profile)
    return Placer(INSPECTION, chosen, PLAN, folder_tree(PLAN, chosen))


PLACES = [
    ("02 G.RING/A.JPG", {}, ("G.RING", None, None, None, "folder")),
    ("02 g.ring/REFER TO ENGINEERING/A.JPG", {}, ("G.RING", None, None, "refer", "folder")),
    ("02 G.RING/typed by hand/A.JPG", {}, ("G.RING", None, None, None, "folder")),
    ("02 G.RING/E007-009 tip.JPG", {}, ("G.RING", 7, 9, None, "folder")),
    ("DCIM/100TWVS/A.JPG", {}, (None, None, None, None, "folder")),
    ("A.JPG", {"UserComment": "[g.ring] 4-6: pitting"}, ("G.RING", 4, 6, None, "exif")),
    ("A.JPG", {"UserComment": "[NOWHERE] 4"}, (None, None, None, None, "folder")),
    # Two rules that disagree place nothing: a person settles it.
    ("02 G.RING/A.JPG", {"UserComment": "[G.ID]"}, (None, None, None, None, "folder")),
]


@pytest.mark.parametrize(("path", "exif", "place"), PLACES)
def test_where_a_file_is_placed(path: str, exif: dict[str, str], place: tuple[object, ...]) -> None:
    claim = placer().place(path, exif)
    assert (claim.location_key, claim.element, claim.element_last, claim.evaluation, claim.rule) == place


def test_a_file_is_placed_as_sure_as_its_least_sure_rule() -> None:
    assert placer().place("02 G.RING/A.JPG", {}).confidence == 1.0
    assert placer().place("02 G.RING/E1.JPG", {}).confidence == 0.9
    assert placer().place("elsewhere/A.JPG", {}).confidence == 0.0


def test_the_narrower_elements_win() -> None:
    claim = placer("deep").place("01 Gears/G.RING Ring gear/tooth 021-030/E25.JPG", {})
    assert (claim.element, claim.element_last) == (25, None)

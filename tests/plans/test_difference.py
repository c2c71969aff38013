"""Differences of revisions: empty to itself, the same read in both directions, whole in what they tell."""

from __future__ import annotations

from pathlib import Path

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from service.contract.plan_document import EvaluationWord, Location, PictureRule, PlanDocument, Section
from service.contract.plans import Difference
from service.plans.difference import difference, difference_text
from service.plans.document import check_file
from tests.plans.documents import document

PLANS = Path(__file__).parents[2] / "seed" / "plans"
KEYS = ["A", "B", "C", "D", "E"]


@st.composite
def documents(draw: st.DrawFn) -> PlanDocument:
    keys = draw(st.lists(st.sampled_from(KEYS), unique=True, min_size=1))
    spare = st.sampled_from([None, *(key for key in KEYS if key not in keys)])
    locations = [
        Location(
            key=key,
            name="a place",
            component="casing",
            view="outside",
            pictures=PictureRule(required=draw(st.integers(1, 2))),
            builds=["X"],
            mandatory=draw(st.booleans()),
            former_key=draw(spare),
        )
        for key in keys
    ]
    cut = draw(st.integers(0, len(locations)))
    ranks = draw(st.lists(st.integers(0, 2), unique=True, min_size=1).map(sorted))
    return PlanDocument(
        format="sightledger-plan/1",
        plan="P",
        title=draw(st.sampled_from(["one", "two"])),
        revision=draw(st.sampled_from("AB")),
        equipment_type="T",
        builds=["X"],
        evaluation_scale=[
            EvaluationWord(
                code=f"g{n}", word=draw(st.sampled_from("uv")) + str(n), rank=n, requires="nothing"
            )
            for n in ranks
        ],
        sections=[
            Section(key="1", name="one", locations=locations[:cut]),
            Section(key="2", name="two", locations=locations[cut:]),
        ],
        cautions=draw(st.lists(st.sampled_from(["ISOL", "TURN"]), unique=True)),
    )


def is_empty(found: Difference) -> bool:
    members = msgspec.structs.asdict(found)
    return not any(members[name] for name in members if name not in {"plan", "before", "after"})


@given(documents())
def test_difference_to_itself_is_empty(one: PlanDocument) -> None:
    found = difference(one, one)
    assert is_empty(found)
    assert difference_text(found).endswith("No difference.\n")


@given(documents(), documents())
def test_difference_reads_the_same_backwards(one: PlanDocument, other: PlanDocument) -> None:
    there, back = difference(one, other), difference(other, one)
    assert {place.key for place in there.added} == {place.key for place in back.removed}
    assert {place.key for place in there.removed} == {place.key for place in back.added}
    assert {(n.before, n.after) for n in there.renamed} == {(n.after, n.before) for n in back.renamed}
    assert there.cautions_added == back.cautions_removed
    assert there.reordered == back.reordered
    new_key = {n.before: n.after for n in there.renamed}
    changed_back = {new_key.get(change.key, change.key): change for change in back.changed}
    assert {change.key for change in there.changed} == changed_back.keys()
    for change in there.changed:
        forwards = {(c.field, repr(c.before), repr(c.after)) for c in change.changes}
        assert forwards == {
            (c.field, repr(c.after), repr(c.before)) for c in changed_back[change.key].changes
        }


@given(documents(), documents())
def test_applying_the_difference_to_the_keys_gives_the_other_revision(
    one: PlanDocument, other: PlanDocument
) -> None:
    found = difference(one, other)
    renamed = {n.before: n.after for n in found.renamed}
    kept = {key.key for key in one.locations()} - {place.key for place in found.removed}
    arrived = {place.key for place in found.added}
    assert {renamed.get(key, key) for key in kept} | arrived == {key.key for key in other.locations()}
    assert arrived.isdisjoint(renamed.values())


@given(documents(), documents())
def test_an_empty_difference_means_the_same_content(one: PlanDocument, other: PlanDocument) -> None:
    def content(plan: PlanDocument) -> object:
        sections = [
            (s.name, [msgspec.structs.replace(place, former_key=None) for place in s.locations])
            for s in plan.sections
            if s.locations
        ]
        return msgspec.structs.replace(plan, sections=[], cautions=sorted(plan.cautions)), sections

    assert is_empty(difference(one, other)) == (content(one) == content(other))


def shipped(name: str) -> PlanDocument:
    found = check_file(PLANS / f"{name}.yaml").document
    assert found is not None
    return found


def test_shipped_revisions_differ_as_their_change_notes_say() -> None:
    first, second, third = (shipped(f"VIP-KG3-P-{label}") for label in "ABC")
    found = difference(first, second)
    assert [(n.before, n.after) for n in found.renamed] == [("KG.1.CAR-A", "KG.1.PLC-A")]
    assert [place.key for place in found.added] == ["KG.GEN.JET"]
    assert not found.removed + found.changed
    found = difference(second, third)
    assert [place.key for place in found.added] == ["KG.B.IMS-C"]
    changes = {change.key: {c.field: (c.before, c.after) for c in change.changes} for change in found.changed}
    assert changes.pop("KG.1.SUN").keys() == {"element.startReference"}
    assert {key.rpartition("-")[0] for key in changes} == {"KG.1.PL1", "KG.1.PL2", "KG.1.PL3"}
    assert all(fields["pictures.elementsPerPicture"] == (6, 4) for fields in changes.values())


def test_text_tells_every_kind_of_change() -> None:
    one = document()
    ring, sump = one.locations()
    other = msgspec.structs.replace(
        one,
        revision="B",
        interval=None,
        cautions=["PRES"],
        evaluation_scale=[
            msgspec.structs.replace(one.evaluation_scale[0], word="sound"),
            EvaluationWord(code="watch", word="watch", rank=1, requires="second_look"),
        ],
        sections=[
            Section(
                key="S1",
                name="General",
                locations=[
                    msgspec.structs.replace(sump, key="PAN", former_key="SUMP", mandatory=False),
                    msgspec.structs.replace(ring, element=None, builds=["X"]),
                    msgspec.structs.replace(ring, key="NEW", name="New place"),
                ],
            )
        ],
    )
    text = difference_text(difference(one, other))
    assert text.splitlines()[0] == "Plan P-1: revision B against revision A"
    for line in (
        "revision: A -> B",
        "NEW (New place), section General",
        "SUMP is now PAN (Sump)",
        "mandatory: yes -> no",
        "builds: [X; Y] -> [X]",
        "added: watch, rank 1",
        "removed: refer to engineering, rank 1",
        "sound: word: nothing recordable -> sound",
        "the locations stand in another order",
    ):
        assert line in text, text
    assert "element: kind tooth, count 102" in text
    assert "-> not given" in text
    assert "Cautions added\n  PRES\n\nCautions removed\n  ISOL\n" in text

"""Where a file belongs, and the fold over placement facts."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from uuid import UUID

import hypothesis.strategies as st
import pytest
from hypothesis import given

from service.contract.cards import CardReturnCommit, ManifestFile, PlacementClaim, exact_path, manifest_digest
from service.database import storable_json
from service.intake.rules.manifests import manifest_faults, placing_remarks, sizes
from service.intake.rules.placing import (
    Place,
    Placement,
    Sighted,
    counts_as_held,
    judge,
    pictures_held,
    shown,
    standing_placements,
)

OWN, SAME_UNIT, OTHER_UNIT, ELSEWHERE, UNKNOWN = (UUID(int=n) for n in range(1, 6))


@dataclass
class _Home:
    unit_id: UUID
    site: str = "S1"
    revision_id: UUID = field(default=UUID(int=900))
    keys: frozenset[str] = frozenset({"A", "B"})


HOMES = {
    OWN: _Home(UUID(int=11)),
    SAME_UNIT: _Home(UUID(int=11)),
    OTHER_UNIT: _Home(UUID(int=12)),
    ELSEWHERE: _Home(UUID(int=13), site="S2"),
}


def _claim(inspection: UUID, key: str | None = "A", element: int | None = None) -> PlacementClaim:
    return PlacementClaim(inspection_id=inspection, location_key=key, rule="folder", element=element)


@pytest.mark.parametrize(
    ("claim", "own", "place", "remark"),
    [
        (_claim(OWN, "A", 7), OWN, Place(OWN, "A", 7), None),
        (_claim(SAME_UNIT, "B"), OWN, Place(SAME_UNIT, "B", 0), None),
        (_claim(OTHER_UNIT), None, Place(OTHER_UNIT, "A", 0), None),
        (_claim(OWN, None), OWN, Place(OWN, "", 0), None),
        (_claim(OWN, "Z"), OWN, Place(OWN, "", 0), "has no location Z"),
        (_claim(UNKNOWN), OWN, None, "is not known here"),
        (_claim(ELSEWHERE), OWN, None, "belongs to another site"),
        (_claim(OTHER_UNIT), OWN, None, "belongs to another unit"),
        (None, OWN, Place(OWN, "", 0), None),
        (None, None, None, None),
    ],
)
def test_a_file_goes_where_its_claim_says_or_is_kept_with_a_remark(
    claim: PlacementClaim | None, own: UUID | None, place: Place | None, remark: str | None
) -> None:
    verdict = judge(claim, HOMES, "S1", own)
    assert verdict.place == place
    if remark is None:
        assert verdict.remark is None
    else:
        assert remark in (verdict.remark or "")
        assert verdict.claimed_key == (claim.location_key if claim else None)


def test_remarks_name_the_number_of_files_once_per_reason() -> None:
    verdicts = [judge(_claim(OWN, key), HOMES, "S1", OWN) for key in ("Z", "Z", "Y", "A")]
    assert placing_remarks(Counter(one.remark for one in verdicts if one.remark)) == [
        "1 file kept but not placed: the inspection has no location Y.",
        "2 files kept but not placed: the inspection has no location Z.",
    ]


def test_i11_what_cannot_be_looked_at_is_not_counted_as_seen() -> None:
    assert counts_as_held("still", [])
    assert counts_as_held("video", ["too_large_to_judge"])
    assert not counts_as_held("side", [])
    for mark in ("zero_length", "truncated", "not_an_image"):
        assert not counts_as_held("still", [mark])


KINDS = st.sampled_from(("still", "video", "side", "other"))
MARKS = st.sets(st.sampled_from(("truncated", "slate", "short_read")), max_size=1).map(frozenset)
Drawn = tuple[dict[UUID, Sighted], list[Placement]]


@st.composite
def _facts(draw: st.DrawFn) -> Drawn:
    """Sightings of a few images, each placed and then moved, also by people who do not know of each other."""
    sighted = {}
    for n in range(draw(st.integers(1, 5))):
        digest, back = draw(st.sampled_from("xyz")), UUID(int=draw(st.integers(1, 3)))
        sighted[UUID(int=100 + n)] = Sighted(
            UUID(int=100 + n), digest, back, n, draw(KINDS), draw(MARKS), draw(st.booleans())
        )
    facts: list[Placement] = []
    for sighting in sighted:
        own: list[UUID] = []
        for _ in range(draw(st.integers(0, 5))):
            known = draw(st.lists(st.sampled_from(own), unique=True)) if own else []
            where = Place(
                draw(st.sampled_from((OWN, OTHER_UNIT))),
                draw(st.sampled_from(("", "A", "B"))),
                draw(st.integers(0, 2)),
            )
            fact = Placement(UUID(int=1000 + len(facts)), sighting, where, frozenset(known))
            facts.append(fact)
            own.append(fact.id)
    return sighted, facts


@given(_facts(), st.randoms(use_true_random=False))
def test_i3_any_order_and_any_repetition_of_placement_facts_shows_the_same(
    drawn: Drawn, chance: random.Random
) -> None:
    sighted, facts = drawn
    again = facts + [fact for fact in facts if chance.random() < 0.5]
    chance.shuffle(again)
    arrived = list(sighted.items())
    chance.shuffle(arrived)
    assert shown(dict(arrived), again) == shown(sighted, facts)


@given(_facts())
def test_i1_an_image_is_shown_where_a_file_that_is_a_picture_stands_and_counts_where_one_is_whole(
    drawn: Drawn,
) -> None:
    sighted, facts = drawn
    standing: dict[tuple[Place, str], list[Sighted]] = {}
    for fact in standing_placements(facts):
        seen = sighted[fact.sighting_id]
        standing.setdefault((fact.place, seen.digest), []).append(seen)
    pictures = {
        where: [one for one in here if one.kind in ("still", "video")] for where, here in standing.items()
    }
    found = shown(sighted, facts)
    assert found.keys() == {where for where, here in pictures.items() if here}
    for where, how in found.items():
        here = pictures[where]
        whole = [one for one in here if not one.marks & {"truncated", "slate"}]
        assert how.counted == bool(whole)
        assert how.sightings == {one.id for one in here}
        best = [one for one in whole or here if one.told] or whole or here
        first = min(best, key=lambda one: (one.card_return_id, one.ordinal))
        assert how.first == first.id


@given(_facts())
def test_i4_only_a_named_fact_is_replaced(drawn: Drawn) -> None:
    _, facts = drawn
    named = {gone for fact in facts for gone in fact.replaces}
    assert {fact.id for fact in standing_placements(facts)} == {fact.id for fact in facts} - named


def test_i4_two_moves_that_do_not_know_of_each_other_stand_side_by_side() -> None:
    sighting = UUID(int=100)
    x = {sighting: Sighted(sighting, "x", UUID(int=1), 0, "still")}
    placed = Placement(UUID(int=1), sighting, Place(OWN, "A", 0))
    one = Placement(UUID(int=2), sighting, Place(OWN, "B", 0), frozenset({placed.id}))
    two = Placement(UUID(int=3), sighting, Place(OTHER_UNIT, "A", 0), frozenset({placed.id}))
    assert {place for place, _ in shown(x, [placed, two, one])} == {one.place, two.place}
    settled = Placement(UUID(int=4), sighting, Place(OWN, "B", 0), frozenset({one.id, two.id}))
    assert {place for place, _ in shown(x, [two, settled, placed, one])} == {settled.place}


@given(_facts())
def test_pictures_held_counts_an_image_once_per_location(drawn: Drawn) -> None:
    standing = shown(*drawn)
    expected: Counter[tuple[UUID, str]] = Counter()
    for inspection in (OWN, OTHER_UNIT):
        for key in ("A", "B"):
            images = {
                digest
                for (place, digest), how in standing.items()
                if (place.inspection_id, place.location_key) == (inspection, key) and how.counted
            }
            if images:
                expected[(inspection, key)] = len(images)
    assert pictures_held(standing) == expected


def _file(path: str, digest: str = "a" * 64, size: int = 3, raw: bytes | None = None) -> ManifestFile:
    return ManifestFile(
        path=path,
        size=size,
        sha256=digest,
        kind="still",
        read_at=datetime(2026, 5, 1, tzinfo=UTC),
        path_bytes=raw,
    )


def _commit(files: list[ManifestFile], parts: int) -> CardReturnCommit:
    lines = [(exact_path(file.path, file.path_bytes), file.sha256, file.size) for file in files]
    return CardReturnCommit(
        parts=parts,
        files=len(files),
        manifest_sha256=manifest_digest(lines),
        complete=True,
        finished_at=datetime(2026, 5, 1, tzinfo=UTC),
    )


@given(
    st.lists(
        st.builds(
            _file,
            st.text(min_size=1, alphabet=st.characters(exclude_categories=["Cs"])),
            st.sampled_from(("a" * 64, "b" * 64)),
            st.integers(0, 10),
            st.none() | st.binary(min_size=1),
        ),
        min_size=1,
        max_size=6,
    ),
    st.randoms(use_true_random=False),
)
def test_a_lost_or_doubled_file_is_noticed_and_the_whole_manifest_is_accepted(
    files: list[ManifestFile], chance: random.Random
) -> None:
    commit = _commit(files, 2)
    assert manifest_faults(files, 2, commit) == []
    assert "parts are held here" in manifest_faults(files, 1, commit)[0]
    assert "files" in manifest_faults(files[1:], 2, commit)[0]
    at = chance.randrange(len(files))
    changed = [*files[:at], _file(files[at].path, "c" * 64), *files[at + 1 :]]
    assert "digest" in manifest_faults(changed, 2, commit)[0]


def test_one_digest_has_one_size() -> None:
    known, torn = sizes([_file("a"), _file("b", size=4), _file("c", "b" * 64)])
    assert known == {"a" * 64: 3, "b" * 64: 3}
    assert torn == {"a" * 64}


def test_text_that_the_database_cannot_hold_is_shown_by_its_picture() -> None:
    assert storable_json({"a\0": ["b\0", {"c": 1}, None, 2.5]}) == {
        "a\u2400": ["b\u2400", {"c": 1}, None, 2.5]
    }

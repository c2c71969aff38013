"""What is held by what store and record say of it, and what a person is told of how a card was read."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import hypothesis.strategies as st
import msgspec
import pytest
from hypothesis import given

from service.contract.cards import CardReturnCommit, exact_path, readable_path
from service.intake.rules.holding import Recorded, Seen, seen_as, seen_beside, seen_in_record
from service.intake.rules.manifests import ASIDE_NAMED, contradictions, extent_remarks
from tests.intake.factories import file_of

FOUND = datetime(2026, 9, 10, 8, tzinfo=UTC)
DIGEST, OTHER = "a" * 64, "b" * 64


class _Stat(NamedTuple):
    size: int
    sha256_hex: str | None
    modified: datetime | None


def known(unsound_at: datetime | None = None) -> Recorded:
    return Recorded(3, unsound_at, image=True, site="S1")


AFTER = st.none() | st.integers(-5, 5).map(lambda seconds: FOUND + timedelta(seconds=seconds))
STATS = st.none() | st.builds(_Stat, st.sampled_from((3, 4)), st.sampled_from((None, DIGEST, OTHER)), AFTER)
RECORDS = st.none() | st.builds(known, st.none() | st.just(FOUND))


@given(STATS, RECORDS, st.booleans())
def test_p27_nothing_is_held_that_the_store_does_not_show_whole(
    stat: _Stat | None, record: Recorded | None, by_parts: bool
) -> None:
    """Whatever the record says: the store is asked; what was found unsound is read anew before it counts."""
    found = seen_as(DIGEST, 3, stat, record, by_parts)
    if stat is None:
        assert found == "absent"
    elif stat.size != 3 or stat.sha256_hex == OTHER:
        assert found == "spoilt"
    elif record is not None and record.unsound_at is not None:
        written_since = stat.modified is not None and stat.modified >= FOUND
        assert found == ("unread" if written_since else "spoilt")
    else:
        assert found == ("unread" if by_parts and record is None else "held")


@pytest.mark.parametrize("here", ["held", "unread", "absent", "spoilt"])
@pytest.mark.parametrize("elsewhere", ["held", "unread", "absent", "spoilt"])
def test_p27_what_another_site_has_lost_counts_under_ones_own_name_when_it_was_read_back(
    elsewhere: Seen, here: Seen
) -> None:
    found = seen_beside(elsewhere, here)
    if elsewhere in ("held", "unread"):
        assert found == elsewhere
    else:
        assert found != "held", "custody has to read it back first"
        assert (found == "unread") == (here in ("held", "unread"))
        assert found in ("unread", here)


def test_p27_the_record_alone_says_what_has_to_be_sent() -> None:
    assert seen_in_record(None) == "absent"
    assert seen_in_record(known()) == "held"
    assert seen_in_record(known(FOUND)) == "spoilt"


@pytest.mark.parametrize(
    ("said", "remarks"),
    [
        ({"extent": "as_prepared"}, []),
        (
            {"extent": "part", "extentNote": "a folder of a card"},
            ["This was not a whole card: a folder of a card."],
        ),
        ({"extent": "not_confirmed"}, ["Nobody had confirmed that this was a whole card."]),
        (
            {"extent": "confirmed", "confirmedBy": "R. Example"},
            ["R. Example confirmed that this was a whole card."],
        ),
        (
            {"extent": "as_prepared", "aside": [f"._{n}" for n in range(12)]},
            [
                "Left aside, as files of an operating system: "
                + ", ".join(f"._{n}" for n in range(ASIDE_NAMED))
                + f" and {12 - ASIDE_NAMED} more."
            ],
        ),
    ],
)
def test_i6_what_was_read_of_a_card_is_remarked(said: dict[str, object], remarks: list[str]) -> None:
    wire = {"parts": 0, "files": 0, "manifestSha256": "0" * 64, "complete": True, "finishedAt": FOUND, **said}
    assert extent_remarks(msgspec.convert(wire, CardReturnCommit)) == remarks


NAMES = st.lists(st.binary(min_size=1, max_size=6), max_size=12)


@given(NAMES, st.booleans(), st.integers(0, 11))
def test_i6_a_manifest_is_without_contradiction_when_each_name_stands_once_and_reads_as_it_is(
    names: list[bytes], spoil: bool, at: int
) -> None:
    files = [
        file_of(readable_path(name), b"x", path_bytes=None if readable_path(name).encode() == name else name)
        for name in names
    ]
    assert [exact_path(file.path, file.path_bytes) for file in files] == names
    assert bool(contradictions(files)) == (len(set(names)) < len(names))
    if spoil and at < len(files):
        files[at] = msgspec.structs.replace(files[at], path=files[at].path + "x", path_bytes=names[at])
        assert files[at].path in [path for path, _ in contradictions(files)]

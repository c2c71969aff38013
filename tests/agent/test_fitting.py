"""Names fitted to a card never meet, whatever a file system makes of them.

Limits: exFAT specification, Table 35 (characters) and 7.7.3 (255 UTF-16 units).
"""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.profiles.fitting import (
    ILLEGAL,
    NameLimits,
    NamesDoNotFit,
    clean,
    fit_names,
    fold,
    key_hash,
    units,
)

texts = st.text(max_size=40)
keys = st.text(min_size=1, max_size=12)
limits = st.builds(
    NameLimits,
    longest=st.sampled_from([8, 12, 32, 255]),
    allowed=st.sampled_from([None, "A-Za-z0-9 ._-", "A-Za-z0-9_-"]),
    case=st.sampled_from(["keep", "upper", "lower"]),
    replacement=st.sampled_from(["-", "_"]),
)
# Names that lie close together, so that meetings are common.
close = st.dictionaries(
    keys, st.sampled_from(["a", "A", "a.", "a ", "á", "a\u0301", "Á", "con", "CON", "", "ß", "SS"])
)
wanted = st.one_of(close, st.dictionaries(keys, texts, max_size=12))

SAME = [
    str.casefold,
    str.upper,
    str.lower,
    lambda name: unicodedata.normalize("NFC", name),
    lambda name: unicodedata.normalize("NFD", name),
    lambda name: unicodedata.normalize("NFD", name).casefold(),
    lambda name: unicodedata.normalize("NFC", name).upper(),
    lambda name: name.rstrip(". "),
]


@given(wanted, limits)
def test_no_two_names_meet_under_any_file_system(names: dict[str, str], limit: NameLimits) -> None:
    fitted = list(fit_names(names, limit).values())
    for same in SAME:
        assert len({same(name) for name in fitted}) == len(fitted)


@given(wanted, limits)
def test_every_name_is_within_the_limits(names: dict[str, str], limit: NameLimits) -> None:
    for name in fit_names(names, limit).values():
        assert 1 <= units(name) <= limit.longest
        assert not ILLEGAL & set(name)
        assert name == name.rstrip(". ") == name.lstrip(" ")
        stem = name.split(".")[0].rstrip().lower()
        assert stem not in {
            "con",
            "prn",
            "aux",
            "nul",
            *(f"com{n}" for n in range(10)),
            *(f"lpt{n}" for n in range(10)),
        }
        name.encode("utf-16")


@given(wanted, limits)
def test_fitting_what_is_fitted_changes_nothing(names: dict[str, str], limit: NameLimits) -> None:
    fitted = fit_names(names, limit)
    assert fit_names(fitted, limit) == fitted


@given(wanted, limits, st.randoms())
def test_order_makes_no_difference(names: dict[str, str], limit: NameLimits, random: object) -> None:
    shuffled = list(names.items())
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert fit_names(dict(shuffled), limit) == fit_names(names, limit)


@given(wanted, limits, st.lists(texts, max_size=4))
def test_names_taken_are_left_alone(names: dict[str, str], limit: NameLimits, taken: list[str]) -> None:
    fitted = fit_names(names, limit, taken)
    assert not {fold(name) for name in fitted.values()} & {fold(name) for name in taken}


@given(texts, limits)
def test_clean_is_idempotent(name: str, limit: NameLimits) -> None:
    once = clean(name, limit)
    assert clean(once, limit) == once


@pytest.mark.parametrize(
    ("name", "fitted"),
    [
        ("CON", "CON-"),
        ("nul.txt", "nul-.txt"),
        ("a/b:c", "a-b-c"),
        ("trailing. . ", "trailing"),
        ("", "-"),
        ("...", "-"),
        ("e\u0301", "\u00e9"),
        ("LPT1", "LPT1-"),
        ("fine name", "fine name"),
    ],
)
def test_names_as_they_come_out(name: str, fitted: str) -> None:
    assert fit_names({"k": name}, NameLimits()) == {"k": fitted}


def test_a_name_that_meets_no_other_carries_no_suffix() -> None:
    fitted = fit_names({"1": "Ring", "2": "ring", "3": "Sun"}, NameLimits())
    assert fitted["3"] == "Sun"
    assert fitted["1"] == f"Ring-{key_hash('1', 4)}"
    assert fitted["2"] == f"ring-{key_hash('2', 4)}"


def test_a_surrogate_pair_is_never_cut() -> None:
    assert fit_names({"k": "ab" + "\U0001f600" * 5}, NameLimits(longest=9)) == {"k": "ab" + "\U0001f600" * 3}


def test_names_that_no_suffix_can_tell_apart_are_refused() -> None:
    taken = {"a"} | {clean(f"a-{key_hash('1', length)}"[:8], NameLimits()) for length in (4, 7, 8)}
    taken |= {key_hash("1", length) for length in (4, 7, 8)}
    with pytest.raises(NamesDoNotFit):
        fit_names({"1": "a"}, NameLimits(longest=8), taken)

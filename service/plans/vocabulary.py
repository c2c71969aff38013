"""The trade's term lists and the safety cautions, each with its source and how sure we are of the wording.

`vocab.json` holds terms only, no definition of any standard. A term is stored as `list:code`. A list or a
term says its provenance: seen (in a public copy), memory (to be confirmed before quoting), house (our own
wording, the quality office may change it) or mixed (each term says its own).
"""

from __future__ import annotations

from difflib import get_close_matches
from functools import cache, lru_cache
from pathlib import Path

import msgspec

from service.contract.plans import Caution, Term, TermList

HERE = Path(__file__).parent
# The longest that the schema of plans allows.
MOST_COMPARED = 128

# The lists that name what can be seen at a location; the others name decisions, states and roles.
CONDITION_LISTS = (
    "bearing_damage",
    "gear_damage_1995",
    "gear_damage_2022",
    "gas_path_condition",
    "weld_imperfection",
)


class _Vocabulary(msgspec.Struct):
    lists: list[TermList]


@cache
def term_lists() -> dict[str, TermList]:
    """Every list by its id, in the file's order."""
    decoded = msgspec.json.decode((HERE / "vocab.json").read_bytes(), type=_Vocabulary)
    return {term_list.id: term_list for term_list in decoded.lists}


@cache
def cautions() -> dict[str, Caution]:
    """Every caution by its id. They are shown; none says that plant is safe or isolated (I13)."""
    decoded = msgspec.json.decode((HERE / "cautions.json").read_bytes())
    return {entry["id"]: Caution(**entry) for entry in decoded["cautions"]}


@cache
def _terms() -> dict[str, Term]:
    return {
        f"{term_list.id}:{term.code}": term for term_list in term_lists().values() for term in term_list.terms
    }


def term(stored: str) -> Term | None:
    """The term stored as `list:code`, None where there is none."""
    return _terms().get(stored)


def is_term(stored: str, list_id: str | None = None) -> bool:
    """True when `stored` is a `list:code` of the vocabulary, and of the list `list_id` where one is given."""
    return stored in _terms() and list_id in {None, stored.partition(":")[0]}


def is_condition(stored: str) -> bool:
    """True when `stored` names something that can be seen at a location."""
    return stored in _terms() and stored.partition(":")[0] in CONDITION_LISTS


@lru_cache(maxsize=1000)
def nearest_condition(wrong: str) -> str | None:
    """The condition that is spelt most like `wrong`, for an error message. Of the list that `wrong` names, if
    there is one of that name: comparing with all takes 20 ms."""
    named = wrong.partition(":")[0]
    of_list = [stored for stored in _conditions() if stored.partition(":")[0] == named]
    return next(
        iter(get_close_matches(wrong[:MOST_COMPARED], of_list or _conditions(), n=1, cutoff=0.6)), None
    )


@cache
def _conditions() -> list[str]:
    return [stored for stored in _terms() if is_condition(stored)]

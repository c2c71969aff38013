"""Figures of limits: units they may be in, and whether the words beside them name the same figures. Pure."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator

from service.contract.plan_document import Limit, Location
from service.plans import vocabulary

UNITS = "unit_of_measure"
# Atomic: a shorter number would have a digit after it, which is never one.
_NUMBER = re.compile(r"(?<![\w.,])((?>\d+(?:[.,]\d+)?))(?![\d.,]*\d)")
_SPACE = re.compile(r"\s*")
# What may stand between the two ends of a range: `1.5-4 mm`, `1.5 to 4 mm`.
_RANGE = re.compile(r"\s*(?:-|\u2013|to|and|or)\s*(?=\d)")


def folded(text: str) -> str:
    """The text as a person sees it: without case, compatibility forms (Unicode UAX 15, NFKC) and signs
    that are not seen (category Cf)."""
    seen = "".join(char for char in text if unicodedata.category(char) != "Cf")
    return unicodedata.normalize("NFKC", seen).casefold()


def unit_fault(unit: str) -> str | None:
    """What is wrong with the unit of a limit; None for one of the list."""
    if vocabulary.is_term(f"{UNITS}:{unit}"):
        return None
    known = [term.code for term in vocabulary.term_lists()[UNITS].terms]
    alike = [code for code in known if folded(code) == folded(unit)]
    hint = f"Did you mean {alike[0]}?" if alike else f"Use one of: {', '.join(known)}."
    return f"{unit!r} is no unit of the list {UNITS}. {hint}"


def figures_and_text_differ(location: Location) -> Iterator[str]:
    """Messages where the words of a limit and its figures name different numbers; none without words.

    A number is compared with the figures of the unit behind it, a number without a unit with all. The
    words need not name a figure of 0: they can say that nothing is accepted.
    """
    words = location.limit_text
    texts = {} if words is None else {"accept": words.accept, "refer": words.refer, "stop": words.stop}
    named = [
        (name, *found) for name, text in texts.items() if text for found in _numbers(text, location.limits)
    ]
    if not any(texts.values()):
        return
    figures = {(figure, limit.unit) for limit in location.limits for figure in (limit.accept, limit.refer)}
    of_any_unit = {figure for figure, _ in figures}
    for name, number, unit in named:
        if (number, unit) not in figures and (unit is not None or number not in of_any_unit):
            shown = f"{number:g}" if unit is None else f"{number:g} {unit}"
            yield f"The text of {name} names {shown}, which is none of the figures. Correct one of the two."
    named_figures = {(number, unit) for _, number, unit in named}
    for limit in location.limits:
        for name, figure in (("accept", limit.accept), ("refer", limit.refer)):
            if figure and (figure, limit.unit) not in named_figures:
                yield (
                    f"The text does not name {name} {figure:g} {limit.unit} ({limit.condition}, "
                    f"{limit.quantity}). Add it to the text, or correct the figure."
                )


def _numbers(text: str, limits: list[Limit]) -> Iterator[tuple[float, str | None]]:
    """The numbers of a text, each with the unit behind it, or behind the range it begins."""
    units = sorted({limit.unit for limit in limits}, key=len, reverse=True)
    numbers, found, following, unit = list(_NUMBER.finditer(text)), [], -1, None
    # From the end, so that each range is walked once however long it is.
    for number in reversed(numbers):
        between = _RANGE.match(text, number.end())
        if between is None or between.end() != following:
            unit = _unit_at(text, number.end(), units)
        following = number.start()
        found.append((float(number[1].replace(",", ".")), unit))
    yield from reversed(found)


def _unit_at(text: str, at: int, units: list[str]) -> str | None:
    begin = _SPACE.match(text, at).end()  # type: ignore[union-attr]  # it matches everywhere
    for unit in units:
        if text.startswith(unit, begin) and not text[begin + len(unit) : begin + len(unit) + 1].isalnum():
            return unit
    return None

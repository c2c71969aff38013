"""Job sheets print the figures of a limit beside its words: a figure may change while the words stay."""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable
from datetime import UTC, datetime
from html import unescape

import pytest

from agent.profiles.tree import Plan
from agent.sheets.jobsheet import JobSheet, as_html, as_text
from agent.sheets.printed import as_pdf, as_screen
from service.contract.plan_document import Limit
from service.contract.wire import new_id
from service.contract.work import RevisionBrief
from tests.agent.station import SITE, brief, plan_document

PITTING = "gear_damage_2022:macropitting"


def sheet(refer: float) -> JobSheet:
    document = plan_document()
    document.sections[0].locations[1].limits = [
        Limit(condition=PITTING, quantity="size", unit="mm", accept=1.0, refer=refer, note="single pit")
    ]
    revision = RevisionBrief(
        id=new_id(), plan="P-TEST", label="A", state="effective", effective_from=None, digest=""
    )
    terms = {PITTING: "macropitting"}
    inspection = brief("U-100", revision, new_id())
    return JobSheet(inspection, Plan(document, "X"), {}, terms, {}, SITE, datetime(2026, 10, 1, tzinfo=UTC))


def text_of_pdf(raw: bytes) -> str:
    """The strings shown (ISO 32000-1, 9.4.3), in order; line breaks of the sheet are spaces."""
    streams = re.findall(rb"stream\n(.*?)\nendstream", raw, re.DOTALL)
    shown = [
        part
        for stream in streams
        for part in re.findall(rb"\(((?:\\.|[^)\\])*)\) Tj", zlib.decompress(stream))
    ]
    return b" ".join(shown).decode("latin-1").replace("\\(", "(").replace("\\)", ")")


SHEETS: dict[str, Callable[[JobSheet], str]] = {
    "text": as_text,
    "page": lambda made: unescape(as_html(made)),
    "screen": lambda made: unescape(as_screen(made)),
    "pdf": lambda made: text_of_pdf(as_pdf(made)),
}


@pytest.mark.parametrize("kind", SHEETS)
def test_a_changed_figure_reaches_the_inspector_although_the_words_stay(kind: str) -> None:
    before, after = (" ".join(SHEETS[kind](sheet(refer)).split()) for refer in (3.0, 2.5))
    assert "pit up to 1 mm" in before
    assert "pit up to 1 mm" in after
    assert "macropitting, size: accept up to 1 mm, refer up to 3 mm (single pit)" in before
    assert "macropitting, size: accept up to 1 mm, refer up to 2.5 mm (single pit)" in after


@pytest.mark.parametrize("figure", [0.0, 0.1, 1e-6, 123456.75, 1e12])
def test_a_figure_is_printed_as_it_is(figure: float) -> None:
    line = next(line for line in as_text(sheet(figure)).splitlines() if "refer up to" in line)
    printed = re.search(r"refer up to (\S+) mm", line)
    assert printed is not None
    assert float(printed[1]) == figure

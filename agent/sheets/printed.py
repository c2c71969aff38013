"""The job sheet with a slate per location: on paper (PDF) and on a screen (one HTML page). Pure.

Both are pictured through the scope. So that no picture shows two slates, a sheet has them at most two to a
page, far apart, and the screen page has one to a screen.
"""

from __future__ import annotations

import unicodedata
from html import escape
from typing import TYPE_CHECKING

from agent.sheets.jobsheet import AUTHORITY, JobSheet
from agent.slates.code import Slate
from agent.slates.drawing import drawn, svg_of
from service.contract.plan_document import Location

if TYPE_CHECKING:
    from fpdf import FPDF

HOW_TO = (
    "Before each location, picture its code through the scope, so that the code fills about half of the view "
    "and the squares around it the rest; they may be cut off, the code may not. Look whether the picture is "
    "sharp and free of glare. Every picture after it counts for that location, until the next code. Back at "
    "a location: picture its code again. Never delete the picture of a code."
)
# mm on A4
MARGIN, CODE_SIDE, TEXT_LEFT = 15.0, 86.0, 104.0
HALF, BOTTOM = 148.5, 285.0
SMALL, BODY, TITLE = 9, 11, 15
# What the PDF's built-in fonts lack and a plan may hold; anything else is written by its Unicode name.
SPELT = {
    "\u2264": "<=", "\u2265": ">=", "\u2260": "not =", "\u2248": "about ", "\u2212": "-", "\u2192": "->",
    "\u2300": "dia. ", "\u2032": "'", "\u2033": '"', "\u2013": "-", "\u2014": "-", "\u2018": "'",
    "\u2019": "'", "\u201c": '"', "\u201d": '"', "\t": " ", "\n": " ", "\r": " ",
}  # fmt: skip


def as_pdf(sheet: JobSheet) -> bytes:
    """A4. First what holds for the whole job, then the locations in job order."""
    from fpdf import FPDF

    pdf = FPDF(format="A4")
    pdf.set_margin(MARGIN)
    pdf.set_auto_page_break(True, 297 - BOTTOM)
    pdf.set_title(f"Job sheet {sheet.inspection.unit}")
    pdf.set_creation_date(sheet.prepared_at)
    _first_page(pdf, sheet)
    at = BOTTOM
    for number, location in enumerate(sheet.plan.locations(), 1):
        height = _block_height(pdf, sheet, location)
        # Two to a page where both fit a half of it.
        if at != HALF or height > BOTTOM - HALF:
            pdf.add_page()
            at = MARGIN
        _block(pdf, sheet, number, location, at)
        at = HALF if at == MARGIN and height <= HALF - MARGIN else BOTTOM
    return bytes(pdf.output())


def _first_page(pdf: FPDF, sheet: JobSheet) -> None:
    document = sheet.plan.document
    pdf.add_page()
    _lines(pdf, TITLE, f"Job sheet {sheet.inspection.unit}", bold=True)
    if document.invented:
        _lines(pdf, BODY, "INVENTED plan for demonstration: not from any maker or standard.", bold=True)
    for name, text in sheet.heading():
        _lines(pdf, BODY, f"{name}: {text}")
    _lines(pdf, TITLE, "Cautions", bold=True, above=4)
    for line in sheet.caution_lines(document.cautions):
        _lines(pdf, BODY, f"- {line}")
    _lines(pdf, BODY, AUTHORITY, bold=True, above=2)
    _lines(pdf, TITLE, "How to use the codes", bold=True, above=4)
    _lines(pdf, BODY, HOW_TO)
    evaluations = "; ".join(evaluation.word for evaluation in document.evaluation_scale)
    _lines(pdf, BODY, f"Evaluation: {evaluations}", above=4)


def _block(pdf: FPDF, sheet: JobSheet, number: int, location: Location, top: float) -> None:
    """The code at the left, the words beside it."""
    pdf.set_line_width(0.2)
    pdf.line(MARGIN, top, 210 - MARGIN, top)
    _code(pdf, _slate(sheet, location), MARGIN, top + 3)
    pdf.set_xy(TEXT_LEFT, top + 3)
    for size, text, bold in _words(sheet, number, location):
        _lines(pdf, size, text, bold=bold, left=TEXT_LEFT)


def _block_height(pdf: FPDF, sheet: JobSheet, location: Location) -> float:
    words = sum(_height(pdf, size, text, bold) for size, text, bold in _words(sheet, 99, location))
    return max(words, CODE_SIDE) + 6


def _words(sheet: JobSheet, number: int, location: Location) -> list[tuple[int, str, bool]]:
    """Size, text and whether it is bold, in the order one needs it."""
    words = [(TITLE, f"{number}  {location.key}", True), (TITLE, location.name, True)]
    words += [(BODY, f"! {line}", True) for line in sheet.caution_lines(location.cautions)]
    words += [(BODY, f"{name}: {text}", False) for name, text in sheet.facts(location)]
    return [*words, (SMALL, f"Unit {sheet.inspection.unit}, {_plan(sheet)}", False)]


def _plan(sheet: JobSheet) -> str:
    return f"{sheet.plan.document.plan} revision {sheet.plan.document.revision}"


def _slate(sheet: JobSheet, location: Location) -> Slate:
    return Slate(sheet.inspection.id, location.key)


def _code(pdf: FPDF, slate: Slate, left: float, top: float) -> None:
    picture = drawn(slate)
    unit = CODE_SIDE / picture.side
    pdf.set_fill_color(0)
    for x, y, width, height in picture.dark:
        pdf.rect(left + x * unit, top + y * unit, width * unit, height * unit, style="F")


def _lines(
    pdf: FPDF, size: int, text: str, bold: bool = False, left: float = MARGIN, above: float = 0
) -> None:
    pdf.set_font("helvetica", "B" if bold else "", size)
    pdf.set_xy(left, pdf.get_y() + above)
    pdf.multi_cell(
        210 - MARGIN - left, _leading(size), printable(text), align="L", new_x="LEFT", new_y="NEXT"
    )


def _height(pdf: FPDF, size: int, text: str, bold: bool) -> float:
    pdf.set_font("helvetica", "B" if bold else "", size)
    width = 210 - MARGIN - TEXT_LEFT
    text = printable(text)
    height = pdf.multi_cell(width, _leading(size), text, align="L", dry_run=True, output="HEIGHT")
    assert isinstance(height, float)
    return height


def _leading(size: int) -> float:
    """Line height in mm of a type size in points."""
    return size * 0.48


def printable(text: str) -> str:
    """The text in what the PDF's built-in fonts have (ISO 8859-1). A limit that lost a sign would be another
    limit, so nothing is dropped or replaced by a question mark."""
    return "".join(_printable(character) for character in text)


def _printable(character: str) -> str:
    if character.isprintable() and character.encode("latin-1", "ignore"):
        return character
    if character in SPELT:
        return SPELT[character]
    plain = unicodedata.normalize("NFKD", character)
    if plain != character and plain.isascii():
        return plain
    return f"[{unicodedata.name(character, f'U+{ord(character):04X}')}]"


STYLE = """
:root{color-scheme:light}
body{margin:0;font:18px/1.4 system-ui,sans-serif;color:#000;background:#fff;overflow-wrap:anywhere}
section,header{min-height:100vh;box-sizing:border-box;padding:.8rem 1rem;border-bottom:2px solid #000}
h1,h2{font-size:1.35rem;line-height:1.2;margin:.2rem 0}h2 small{font-weight:400}
svg.code{display:block;width:min(100%,72vh);margin:.4rem auto}
.caution{border:3px solid #000;padding:.3rem .8rem;margin:.4rem 0;font-weight:600}
dl{display:grid;grid-template-columns:6.5rem minmax(0,1fr);margin:.4rem 0}dt{color:#333}dd{margin:0}
nav{display:flex;gap:.8rem;margin:.8rem 0}
nav a{flex:1;display:flex;align-items:center;justify-content:center;min-height:4rem;border:3px solid #000;
color:#000;font-weight:700;text-decoration:none}
ol{padding-left:2.4rem}li a{display:block;min-height:2.8rem;padding:.4rem 0;box-sizing:border-box;color:#000}
@media (min-width:60rem){section{padding:1rem 3rem}}
@media print{section,header{break-after:page}nav{display:none}}
"""


def as_screen(sheet: JobSheet) -> str:
    """One self-contained page, a location to a screen: no script, nothing fetched."""
    locations = sheet.plan.locations()
    document = sheet.plan.document
    unit = escape(sheet.inspection.unit)
    invented = "<p>INVENTED plan for demonstration.</p>" if document.invented else ""
    listed = "".join(
        f'<li><a href="#l{number}">{escape(location.key)} {escape(location.name)}</a></li>'
        for number, location in enumerate(locations, 1)
    )
    body = "".join(
        _step(sheet, number, len(locations), location) for number, location in enumerate(locations, 1)
    )
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Slates {unit}</title><style>{STYLE}</style></head><body>
<header id="top"><h1>Slates for unit {unit}</h1>{invented}<p>{escape(_plan(sheet))}</p>
<div class="caution">{_items(sheet.caution_lines(document.cautions))}<p>{escape(AUTHORITY)}</p></div>
<p>{escape(HOW_TO)}</p><ol>{listed}</ol></header>
{body}</body></html>
"""


def _step(sheet: JobSheet, number: int, of: int, location: Location) -> str:
    cautions = _items(sheet.caution_lines(location.cautions))
    facts = "".join(f"<dt>{escape(n)}</dt><dd>{escape(t)}</dd>" for n, t in sheet.facts(location))
    title = f"Code of {location.key}, {location.name}"
    following = f'<a href="#l{number + 1}">Next</a>' if number < of else '<a href="#top">To the list</a>'
    before = f'<a href="#l{number - 1}">Back</a>' if number > 1 else '<a href="#top">To the list</a>'
    warned = f'<div class="caution">{cautions}</div>' if location.cautions else ""
    return (
        f'<section id="l{number}"><h2>{escape(location.key)} {escape(location.name)} '
        f"<small>{number} of {of}, unit {escape(sheet.inspection.unit)}</small></h2>"
        f"{warned}{svg_of(_slate(sheet, location), title)}"
        f"<nav>{before}{following}</nav><dl>{facts}</dl></section>\n"
    )


def _items(lines: list[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>"

"""The job sheet: what an inspector carries, as plain text and as a page that prints. Pure.

It shows cautions and limits; it never says that plant is safe (I13).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from html import escape

from agent.profiles.tree import Plan
from service.contract.plan_document import Limit, Location
from service.contract.work import InspectionBrief

AUTHORITY = (
    "The site's permit system, local codes and licensed practice stay the authority. This sheet does not say "
    "that plant is shut down, isolated or safe to work on; the person who holds that authority decides."
)


@dataclass(frozen=True)
class JobSheet:
    """Everything on one sheet. `folders` maps location to folder; `terms` and `cautions` are texts by id."""

    inspection: InspectionBrief
    plan: Plan
    folders: Mapping[str, str]
    terms: Mapping[str, str]
    cautions: Mapping[str, str]
    site: str
    prepared_at: datetime
    scope: str | None = None
    person: str | None = None

    def caution_lines(self, ids: list[str]) -> list[str]:
        missing = "text not on this workstation: ask the quality office for it before you start"
        return [f"{caution}: {self.cautions.get(caution, missing)}" for caution in ids]

    def heading(self) -> list[tuple[str, str]]:
        brief, document = self.inspection, self.plan.document
        return [
            ("Unit", f"{brief.unit}{f', {brief.position}' if brief.position else ''}, site {self.site}"),
            ("Type, build", f"{brief.equipment_type}, {brief.build}"),
            ("Plan", f"{document.plan} revision {document.revision}: {document.title}"),
            ("Campaign", brief.campaign),
            ("Scope", self.scope or "-"),
            ("Person", self.person or "-"),
            ("Prepared", self.prepared_at.strftime("%Y-%m-%d %H:%M UTC")),
        ]

    def facts(self, location: Location) -> list[tuple[str, str]]:
        """What to know at one location, in the order one needs it."""
        element = location.element
        rows = [
            ("Folder", self.folders.get(location.key, "")),
            ("Port", location.access_port or "none"),
            ("View", location.view),
            ("Elements", f"{element.count} x {element.kind}" if element else ""),
            ("Start", element.start_reference if element else ""),
            ("Count", element.count_direction if element else ""),
            ("Pictures", self._pictures(location)),
            ("Conditions", ", ".join(self.terms.get(code, code) for code in location.conditions)),
            *self._limits(location),
            ("Note", location.note or ""),
        ]
        return [(name, text) for name, text in rows if text]

    def _pictures(self, location: Location) -> str:
        rule = location.pictures
        each = f", {rule.elements_per_picture} elements per picture" if rule.elements_per_picture else ""
        scale = ", with scale reference" if location.scale_reference else ""
        optional = "" if location.mandatory else " (location not mandatory)"
        return f"{rule.required} required{each}{scale}{optional}"

    def _limits(self, location: Location) -> list[tuple[str, str]]:
        """The words, and beside them each figure: a figure may change while its words stay."""
        text = location.limit_text
        rows = [("Accept", text.accept), ("Refer", text.refer), ("Stop", text.stop)] if text else []
        figures = [("Limit", self._figures(limit)) for limit in location.limits]
        return [(name, words) for name, words in rows if words] + figures

    def _figures(self, limit: Limit) -> str:
        what = f"{self.terms.get(limit.condition, limit.condition)}, {limit.quantity}"
        note = f" ({limit.note})" if limit.note else ""
        accept, refer = f"{limit.accept:.15g}", f"{limit.refer:.15g}"
        return f"{what}: accept up to {accept} {limit.unit}, refer up to {refer} {limit.unit}{note}"


def as_text(sheet: JobSheet) -> str:
    """Plain text with CR LF, as any scope or workstation shows it."""
    document = sheet.plan.document
    lines = [f"JOB SHEET  {sheet.inspection.unit}", ""]
    lines += [f"{name + ':':<13}{text}" for name, text in sheet.heading()]
    if document.invented:
        lines += ["", "INVENTED plan for demonstration: not from any maker or standard."]
    lines += [
        "",
        "CAUTIONS",
        *(f"- {line}" for line in sheet.caution_lines(document.cautions)),
        "",
        AUTHORITY,
    ]
    evaluations = "; ".join(evaluation.word for evaluation in document.evaluation_scale)
    lines += ["", f"EVALUATION: {evaluations}", ""]
    for number, location in enumerate(sheet.plan.locations(), 1):
        lines += [f"[ ] {number:>2}  {location.key}  {location.name}"]
        lines += [f"        ! {line}" for line in sheet.caution_lines(location.cautions)]
        lines += [f"        {name + ':':<12}{text}" for name, text in sheet.facts(location)]
        lines += [""]
    return "\r\n".join(lines) + "\r\n"


STYLE = """
body{font:11pt/1.35 system-ui,sans-serif;margin:1.5em;color:#111;background:#fff;max-width:60em}
table{border-collapse:collapse;width:100%}th,td{text-align:left;vertical-align:top;padding:.15em .6em .15em 0}
th{font-weight:600;white-space:nowrap;width:7em}
section{border-top:1px solid #888;padding:.5em 0;break-inside:avoid}
h2{font-size:1.05em;margin:.2em 0}.caution{border:2px solid #111;padding:.5em 1em;margin:1em 0}
.box{display:inline-block;width:.9em;height:.9em;border:1.5px solid #111;margin-right:.5em}
@media print{body{margin:0}}
"""


def as_html(sheet: JobSheet) -> str:
    """One self-contained page: no script, nothing fetched."""
    document = sheet.plan.document
    invented = (
        "<p>INVENTED plan for demonstration: not from any maker or standard.</p>" if document.invented else ""
    )
    evaluations = "; ".join(evaluation.word for evaluation in document.evaluation_scale)
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Job sheet {escape(sheet.inspection.unit)}</title><style>{STYLE}</style></head><body>
<h1>Job sheet {escape(sheet.inspection.unit)}</h1>
{_table(sheet.heading())}{invented}
<div class="caution"><h2>Cautions</h2>{_list(sheet.caution_lines(document.cautions))}
<p><strong>{escape(AUTHORITY)}</strong></p></div>
<p>Evaluation: {escape(evaluations)}</p>
{"".join(_section(sheet, number, location) for number, location in enumerate(sheet.plan.locations(), 1))}
</body></html>
"""


def _section(sheet: JobSheet, number: int, location: Location) -> str:
    cautions = f'<div class="caution">{_list(sheet.caution_lines(location.cautions))}</div>'
    return (
        f'<section><h2><span class="box"></span>{number} {escape(location.key)} {escape(location.name)}</h2>'
        f"{cautions if location.cautions else ''}{_table(sheet.facts(location))}</section>\n"
    )


def _table(rows: list[tuple[str, str]]) -> str:
    return (
        "<table>"
        + "".join(f"<tr><th>{escape(n)}</th><td>{escape(t)}</td></tr>" for n, t in rows)
        + "</table>"
    )


def _list(lines: list[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>"

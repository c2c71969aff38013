"""Checks plan documents: the published schema first, then the rules that no schema can express."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Container, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice, pairwise
from pathlib import Path
from typing import Any, Literal

import msgspec

from service.contract.plan_document import Interval, Location, PlanDocument
from service.contract.plans import PlanFinding
from service.plans import vocabulary
from service.plans.figures import figures_and_text_differ, folded, unit_fault
from service.plans.plan_schema import schema_findings
from service.plans.plan_text import MAX_BYTES, MAX_FINDINGS, Read, Unreadable, read

Finding = PlanFinding


@dataclass(frozen=True, slots=True)
class Checked:
    """`document` is None where a finding is an error."""

    name: str
    document: PlanDocument | None
    findings: list[Finding]

    def text(self) -> str:
        """One line per finding, `name:line:column: severity: path: message`."""
        return "\n".join(
            f"{self.name}:{found.line}:{found.column}: {found.severity}: {found.path or '/'}: {found.message}"
            for found in self.findings
        )


def check_file(path: Path) -> Checked:
    """Does what `check_text` does, for a file. Raises OSError where it cannot be opened."""
    with path.open("rb") as file:
        return check_bytes(file.read(MAX_BYTES + 1), str(path))


def check_bytes(raw: bytes, name: str) -> Checked:
    """Does what `check_text` does, for bytes that have to be UTF-8."""
    try:
        return check_text(raw.decode("utf-8"), name)
    except UnicodeDecodeError as error:
        before = raw[: error.start]
        column = len(before.rpartition(b"\n")[2].decode("utf-8", "replace")) + 1
        message = "The text is not UTF-8 from here on. Save the file as UTF-8."
        found = Finding(
            path="", line=before.count(b"\n") + 1, column=column, message=message, severity="error"
        )
        return Checked(name, None, [found])


def check_text(text: str, name: str) -> Checked:
    """The document in `text` (YAML or JSON), or what is wrong with it, in the order of the lines.

    `name` names the file in messages. At most MAX_FINDINGS findings are returned.
    """
    try:
        source = read(text)
    except Unreadable as error:
        return Checked(name, None, [error.finding])
    findings = [*source.findings, *islice(schema_findings(source), MAX_FINDINGS)]
    document = _decoded(source, findings)
    if document is not None and len(findings) < MAX_FINDINGS:
        spoilt = {_part(found.path) for found in findings}
        for rules, severity in _RULES:
            told = ((path, message) for path, message in rules(document, spoilt) if _part(path) not in spoilt)
            findings += [source.finding(*fault, severity=severity) for fault in islice(told, MAX_FINDINGS)]
    refused = any(found.severity == "error" for found in findings)
    # Errors come first where the list is cut: a warning hinders nobody.
    findings = sorted(findings, key=lambda found: found.severity)[:MAX_FINDINGS]
    findings.sort(key=lambda found: (found.line, found.column, found.message))
    return Checked(name, None if refused else document, findings)


def _part(path: str) -> str:
    """The location, or the member of the document, that a pointer leads into. A finding about its shape
    hides the findings that only follow from it."""
    steps = path.split("/")
    return "/".join(steps[:5] if steps[1:2] == ["sections"] else steps[:2])


def _decoded(source: Read, findings: list[Finding]) -> PlanDocument | None:
    try:
        return msgspec.convert(source.data, PlanDocument)
    except msgspec.ValidationError as error:
        if not findings:
            findings.append(source.finding(_pointer_of(str(error)), f"{error}. Correct it here."))
        return None


def _pointer_of(message: str) -> str:
    """`... - at `$.sections[0].name`` as a JSON pointer."""
    path = re.search(r"`\$([^`]*)`", message)
    return "".join(f"/{part}" for part in re.findall(r"[^.\[\]]+", path[1])) if path else ""


Fault = tuple[str, str]  # JSON pointer and message


def _faults(document: PlanDocument, spoilt: Container[str]) -> Iterator[Fault]:
    """Faults that no schema can express. A `spoilt` location is skipped: its numbers may be anything."""
    yield from _scale_faults(document)
    yield from _interval_faults(document)
    yield from _caution_faults("/cautions", document.cautions)
    yield from _key_faults(document)
    yield from _build_faults(document, spoilt)
    for path, location in _located(document):
        if path not in spoilt:
            yield from _location_faults(document, path, location)


def _doubts(document: PlanDocument, spoilt: Container[str]) -> Iterator[Fault]:
    """Messages about things that may be intended; the check reports them as warnings."""
    strictness = ("nothing", "second_look", "engineering")
    for number, (lower, higher) in enumerate(pairwise(document.evaluation_scale), start=1):
        if strictness.index(higher.requires) < strictness.index(lower.requires):
            message = f"{higher.word!r} ranks above {lower.word!r} and requires less. Check what it requires."
            yield f"/evaluationScale/{number}/requires", message
    for path, location in _located(document):
        if path in spoilt:
            continue
        for message in figures_and_text_differ(location):
            yield f"{path}/limitText", message
        if location.pictures.per_element_group > 1 and location.pictures.elements_per_picture is None:
            message = "This has no effect without elementsPerPicture. Add that, or drop this."
            yield f"{path}/pictures/perElementGroup", message


Rules = Callable[[PlanDocument, Container[str]], Iterator[Fault]]
# In this order; each finds no more than can be told.
_RULES: tuple[tuple[Rules, Literal["error", "warning"]], ...] = ((_faults, "error"), (_doubts, "warning"))


def _located(document: PlanDocument) -> Iterator[tuple[str, Location]]:
    for number, section in enumerate(document.sections):
        for at, location in enumerate(section.locations):
            yield f"/sections/{number}/locations/{at}", location


def _scale_faults(document: PlanDocument) -> Iterator[Fault]:
    scale = document.evaluation_scale
    for number, (lower, higher) in enumerate(pairwise(scale), start=1):
        if higher.rank <= lower.rank:
            message = (
                f"Rank {higher.rank} comes after rank {lower.rank}. Ranks have to rise: order the words."
            )
            yield f"/evaluationScale/{number}/rank", message
    for member in ("code", "word"):
        entries = ((f"/evaluationScale/{n}/{member}", getattr(g, member)) for n, g in enumerate(scale))
        yield from _doubled(entries, f"evaluation {member}")
    if all(evaluation.requires != "nothing" for evaluation in scale):
        yield (
            "/evaluationScale",
            "Every word requires something. Add one that requires nothing, for a sound location.",
        )


def _doubled(entries: Iterable[Fault], what: str) -> Iterator[Fault]:
    """Faults of entries (pointer, value) that stand twice, or that a person would not tell apart."""
    first: dict[str, str] = {}
    for path, value in entries:
        known = first.get(folded(value))
        if known is None:
            first[folded(value)] = value
        elif known == value:
            yield path, f"The {what} {value!r} stands twice. Give each its own."
        elif known.casefold() == value.casefold():
            yield path, f"The {what} {value!r} differs only in case from {known!r}. Give each its own."
        else:
            written = f"{value!a} and {known!a}"
            yield path, f"The {what} {value!r} stands twice, as {written}. Give each its own."


def _interval_faults(document: PlanDocument) -> Iterator[Fault]:
    interval = document.interval
    if interval is not None and interval == Interval():
        yield "/interval", "The interval gives no count. Give months, hours or starts, or drop it."


def _key_faults(document: PlanDocument) -> Iterator[Fault]:
    sections = ((f"/sections/{n}/key", section.key) for n, section in enumerate(document.sections))
    yield from _doubled(sections, "section key")
    located = list(_located(document))
    yield from _doubled(((f"{path}/key", location.key) for path, location in located), "location key")
    keys = {location.key for _, location in located}
    claimed: set[str] = set()
    for path, location in located:
        former = location.former_key
        if former is None:
            continue
        if former in keys:
            message = f"{former!r} is a former key here and also a key of this revision. Drop one of the two."
            yield f"{path}/formerKey", message
        if former in claimed:
            yield f"{path}/formerKey", f"Two locations give {former!r} as former key. Only one can follow it."
        claimed.add(former)


def _build_faults(document: PlanDocument, spoilt: Container[str]) -> Iterator[Fault]:
    if "/builds" in spoilt:
        return
    yield from _doubled(((f"/builds/{n}", build) for n, build in enumerate(document.builds)), "build")
    builds, present = frozenset(document.builds), set[str]()
    for path, location in _located(document):
        present.update(location.builds)
        if path in spoilt:
            continue
        for number, build in enumerate(location.builds):
            if build not in builds:
                message = (
                    f"Build {build!r} is none of the plan's: {', '.join(document.builds)}. Use one of these."
                )
                yield f"{path}/builds/{number}", message
    for number, build in enumerate(document.builds if document.locations() else []):
        if build not in present:
            message = f"No location exists on build {build!r}. Give it locations, or take the build out."
            yield f"/builds/{number}", message


def _location_faults(document: PlanDocument, path: str, location: Location) -> Iterator[Fault]:
    yield from _caution_faults(f"{path}/cautions", location.cautions)
    for number, condition in enumerate(location.conditions):
        if not vocabulary.is_condition(condition):
            yield f"{path}/conditions/{number}", _unknown_condition(condition)
    yield from _limit_faults(path, location)
    yield from _picture_faults(path, location)


def _caution_faults(path: str, cautions: list[str]) -> Iterator[Fault]:
    known = vocabulary.cautions()
    for number, caution in enumerate(cautions):
        if caution not in known:
            yield f"{path}/{number}", f"There is no caution {caution!r}. Use one of: {', '.join(known)}."


def _unknown_condition(condition: str) -> str:
    if vocabulary.is_term(condition):
        allowed = ", ".join(vocabulary.CONDITION_LISTS)
        return f"{condition!r} is a term, but no condition. Use a term of: {allowed}."
    nearest = vocabulary.nearest_condition(condition)
    hint = f"Did you mean {nearest}?" if nearest else "Use a list:code of the vocabulary."
    return f"There is no condition {condition!r}. {hint}"


def _limit_faults(path: str, location: Location) -> Iterator[Fault]:
    seen: set[tuple[str, str]] = set()
    conditions = frozenset(location.conditions)
    for number, limit in enumerate(location.limits):
        here = f"{path}/limits/{number}"
        if limit.accept > limit.refer:
            figures = f"accept {limit.accept:g} is above refer {limit.refer:g}"
            message = f"Limits out of order: {figures}. Swap or correct them."
            yield f"{here}/accept", message
        if limit.condition not in conditions:
            message = (
                f"{limit.condition!r} is none of this location's conditions. Add it there, or drop the limit."
            )
            yield f"{here}/condition", message
        if wrong := unit_fault(limit.unit):
            yield f"{here}/unit", wrong
        if (limit.condition, folded(limit.quantity)) in seen:
            message = f"A second limit for {limit.quantity!r} of {limit.condition!r}. Keep one."
            yield here, message
        seen.add((limit.condition, folded(limit.quantity)))


def _picture_faults(path: str, location: Location) -> Iterator[Fault]:
    pictures, element = location.pictures, location.element
    each = pictures.elements_per_picture
    if each is None:
        return
    if element is None:
        message = "Pictures are counted by element, but the location has no element. Give one, or drop this."
        yield f"{path}/pictures/elementsPerPicture", message
        return
    if each > element.count:
        message = (
            f"One picture shows {each} elements, but there are only {element.count}. Correct one of the two."
        )
        yield f"{path}/pictures/elementsPerPicture", message
    owed = -(-element.count // each) * pictures.per_element_group
    if pictures.required < owed:
        message = (
            f"{element.count} elements at {each} to a picture, {pictures.per_element_group} of each, need "
            f"{owed} pictures; {pictures.required} are required. Raise it to {owed} or correct the counts."
        )
        yield f"{path}/pictures/required", message


def canonical(document: PlanDocument) -> bytes:
    """The one JSON form of a document: sorted members, no spaces, members at their default left out.

    Members at their default are left out so that a member added to the format later, with a default,
    changes the digest of no revision made before.
    """
    return msgspec.json.encode(plain(document), order="sorted")


def digest(document: PlanDocument) -> str:
    """SHA-256 of the canonical form, lower case hex."""
    return hashlib.sha256(canonical(document)).hexdigest()


def plain(value: Any) -> Any:
    """A document or a part of it as plain data under its names in the document, without defaults."""
    if isinstance(value, list):
        return [plain(entry) for entry in value]
    if isinstance(value, float):
        return value + 0.0  # a database keeps no negative zero
    if not isinstance(value, msgspec.Struct):
        return value
    found = {}
    for member in msgspec.structs.fields(value):
        member_value = getattr(value, member.name)
        if member.required or member_value != _default(member):
            found[member.encode_name] = plain(member_value)
    return found


def _default(member: msgspec.structs.FieldInfo) -> Any:
    if member.default_factory is not msgspec.NODEFAULT:
        return member.default_factory()
    return member.default

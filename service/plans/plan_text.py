"""Reads the text of a plan document, YAML or JSON by one route, and knows the line of every member.

YAML is read by the 1.2 core schema (only null, true, false and decimal numbers are not text: `no` and
`12:30` stay text), without anchors, aliases, tags or a second document. JSON is such YAML.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Literal

import yaml
from yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    NodeEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from service.contract.plans import PlanFinding

MAX_BYTES = 1024 * 1024
MAX_FINDINGS = 200
MAX_DEPTH = 20
# A location has some thirty values.
MAX_NODES = 80_000
# The schema allows no longer text and no longer name; what is longer would be copied into every pointer and
# finding below it.
MAX_TEXT = 4_000
MAX_NAME = 100

# libyaml, where the wheel has it, reads ten times faster; both name the same lines.
_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_INTEGER = re.compile(r"[-+]?[0-9]{1,18}")
_NUMBER = re.compile(r"[-+]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][-+]?[0-9]{1,3})?")
_WORDS = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL"), None),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
}
# Two escaped surrogate halves. An odd number of backslashes before them would escape the first one.
_PAIR = re.compile(r"(?<!\\)((?:\\\\)*)\\u([dD][89abAB][0-9a-fA-F]{2})\\u([dD][c-fC-F][0-9a-fA-F]{2})")
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff]")


class Unreadable(Exception):
    """The text cannot be read on from here; carries the one finding that says so."""

    def __init__(self, finding: PlanFinding) -> None:
        super().__init__(finding.message)
        self.finding = finding


@dataclass(slots=True)
class Read:
    """Plain data, the place of each JSON pointer (line and column from 1), and the findings of reading."""

    data: Any = None
    places: dict[str, tuple[int, int]] = field(default_factory=dict)
    findings: list[PlanFinding] = field(default_factory=list)

    def finding(
        self,
        path: str,
        message: str,
        at: tuple[int, int] | None = None,
        severity: Literal["error", "warning"] = "error",
    ) -> PlanFinding:
        """A finding at a pointer, or at the nearest member above it that stands in the text."""
        known = path
        while known and known not in self.places:
            known = known.rpartition("/")[0]
        line, column = at or self.places.get(known, (1, 1))
        return PlanFinding(path=path, line=line, column=column, message=message, severity=severity)


def step(path: str, name: str | int) -> str:
    """The JSON pointer (RFC 6901) of a member below `path`."""
    return f"{path}/{str(name).replace('~', '~0').replace('/', '~1')}"


def read(text: str) -> Read:
    """The data of the text; raises Unreadable where it is no YAML or JSON, or too large for a plan."""
    if len(text.encode("utf-8", "surrogatepass")) > MAX_BYTES:
        raise Unreadable(_at_top(f"The document is larger than {MAX_BYTES} bytes. Split the plan in two."))
    reader = _Reader(_json_as_yaml(text))
    try:
        return reader.run()
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        message = f"This is not YAML or JSON: {error.problem or error.context}. Correct the text here."
        raise Unreadable(
            PlanFinding(path="", line=line, column=column, message=message, severity="error")
        ) from error
    except (yaml.YAMLError, UnicodeEncodeError) as error:
        raise Unreadable(_unprintable(text)) from error


def _json_as_yaml(text: str) -> str:
    """JSON may be indented by tabs and write one character as two escapes (RFC 8259 7); YAML may not.

    Text that is no JSON is left as it is. Lines stay where they are.
    """
    if not text.lstrip("\ufeff \t\r\n").startswith("{") or not ("\t" in text or _PAIR.search(text)):
        return text
    try:
        json.loads(text.lstrip("\ufeff"))
    except (ValueError, RecursionError):
        return text
    return _PAIR.sub(_one_character, text.replace("\t", " "))


def _one_character(pair: re.Match[str]) -> str:
    halves = (int(pair[2], 16), int(pair[3], 16))
    return pair[1] + chr(0x10000 + ((halves[0] - 0xD800) << 10) + (halves[1] - 0xDC00))


def _at_top(message: str) -> PlanFinding:
    return PlanFinding(path="", line=1, column=1, message=message, severity="error")


def _unprintable(text: str) -> PlanFinding:
    """A finding at the first character that YAML does not take at all."""
    found = _CONTROL.search(text.replace("\r\n", " \n"))
    offset = found.start() if found else 0
    before = text[:offset]
    return PlanFinding(
        path="",
        line=before.count("\n") + 1,
        column=offset - before.rfind("\n"),
        message="There is a control character that cannot stand in a plan. Delete it.",
        severity="error",
    )


class _Reader:
    """Builds data from parser events, so that depth and number of nodes are bounded before they cost."""

    def __init__(self, text: str) -> None:
        self.out = Read()
        self.nodes = 0
        self.events: Iterator[Event] = iter(yaml.parse(text, Loader=_LOADER))

    def run(self) -> Read:
        seen = 0
        for event in self.events:
            if not isinstance(event, DocumentStartEvent):
                continue
            seen += 1
            if seen > 1:
                raise Unreadable(self._here("", event, "A second document begins here. Keep one to a file."))
            self.out.data = self._node(next(self.events), "", 0)
        if seen == 0:
            raise Unreadable(_at_top("The document is empty. Begin with `format: sightledger-plan/1`."))
        return self.out

    def _here(self, path: str, event: Event, message: str) -> PlanFinding:
        return self.out.finding(path, message, _place(event))

    def _node(self, event: Event, path: str, depth: int) -> Any:
        self.nodes += 1
        if depth > MAX_DEPTH:
            message = f"The document is nested too deep here: at most {MAX_DEPTH} levels are taken."
            raise Unreadable(self._here(path, event, f"{message} No plan needs more."))
        if self.nodes > MAX_NODES:
            message = f"The document has more than {MAX_NODES} values. Split the plan in two."
            raise Unreadable(self._here(path, event, message))
        if isinstance(event, AliasEvent) or (isinstance(event, NodeEvent) and event.anchor):
            raise Unreadable(
                self._here(path, event, "Anchors (&) and aliases (*) are not taken. Write the text out here.")
            )
        self.out.places.setdefault(path, _place(event))
        if isinstance(event, MappingStartEvent):
            return self._mapping(event, path, depth)
        if isinstance(event, SequenceStartEvent):
            return self._sequence(event, path, depth)
        assert isinstance(event, ScalarEvent)
        return self._scalar(event, path)

    def _mapping(self, start: MappingStartEvent, path: str, depth: int) -> dict[str, Any]:
        self._refuse_tag(start, path)
        found: dict[str, Any] = {}
        for event in self.events:
            if isinstance(event, MappingEndEvent):
                break
            name = self._name(event, path)
            below = step(path, name)
            doubled = name in found
            if doubled and len(self.out.findings) < MAX_FINDINGS:
                line = self.out.places[below][0]
                message = f"{name!r} stands twice here, first in line {line}. Delete or rename one of them."
                self.out.findings.append(self._here(below, event, message))
            elif not doubled:
                self.out.places[below] = _place(event)
            value = self._node(next(self.events), below, depth + 1)
            if not doubled:
                found[name] = value
        return found

    def _name(self, event: Event, path: str) -> str:
        if not isinstance(event, ScalarEvent) or event.anchor:
            raise Unreadable(self._here(path, event, "A member name has to be text. Write a name here."))
        if len(event.value) > MAX_NAME:
            message = f"A member name has more than {MAX_NAME} characters. Use a name of the schema."
            raise Unreadable(self._here(path, event, message))
        if _CONTROL.search(event.value):
            raise Unreadable(self._here(path, event, "A member name holds a control character. Delete it."))
        return event.value

    def _sequence(self, start: SequenceStartEvent, path: str, depth: int) -> list[Any]:
        self._refuse_tag(start, path)
        found: list[Any] = []
        for event in self.events:
            if isinstance(event, SequenceEndEvent):
                break
            found.append(self._node(event, step(path, len(found)), depth + 1))
        return found

    def _scalar(self, event: ScalarEvent, path: str) -> Any:
        self._refuse_tag(event, path)
        text = event.value
        if len(text) > MAX_TEXT:
            message = f"The text has more than {MAX_TEXT} characters. Shorten it."
            raise Unreadable(self._here(path, event, message))
        if _CONTROL.search(text):
            message = "The text holds a control character or half of a character pair. Delete it."
            if len(self.out.findings) < MAX_FINDINGS:
                self.out.findings.append(self._here(path, event, message))
            text = _CONTROL.sub("?", text)
        return text if event.style else _plain(text)

    def _refuse_tag(self, event: Any, path: str) -> None:
        if event.tag is not None and len(self.out.findings) < MAX_FINDINGS:
            self.out.findings.append(
                self._here(path, event, f"The tag {event.tag} is not taken. Delete it; quote what is text.")
            )


def _place(event: Event) -> tuple[int, int]:
    mark = event.start_mark
    assert mark is not None
    return mark.line + 1, mark.column + 1


def _plain(text: str) -> Any:
    if text in _WORDS:
        return _WORDS[text]
    if _INTEGER.fullmatch(text):
        return int(text)
    if _NUMBER.fullmatch(text) and abs(number := float(text)) != float("inf"):
        return number
    return text

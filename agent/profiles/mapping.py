"""Where a file of a card belongs, by the rules of its profile. Pure."""

from __future__ import annotations

import posixpath
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from uuid import UUID

from agent.profiles.fitting import fold
from agent.profiles.schema import Profile, Rule
from agent.profiles.tree import Folder, Plan
from service.contract.cards import PlacementClaim

NOTE_LIMIT = 4000
LARGEST_ELEMENT = 100_000


@dataclass(slots=True)
class RuleFinding:
    """What one rule got out of one file."""

    rule: Rule
    location: str | None = None
    element: int | None = None
    element_last: int | None = None
    evaluation: str | None = None
    note: str | None = None


@dataclass
class Placer:
    """Places the files of one card. `folders` are those of the card's marker, or the tree made anew."""

    inspection_id: UUID
    profile: Profile
    plan: Plan | None
    folders: Iterable[Folder]
    _by_path: dict[str, Folder] = field(init=False)
    _locations: dict[str, str] = field(init=False)
    _evaluations: dict[str, str] = field(init=False)

    def __post_init__(self) -> None:
        self._by_path = {fold_path(folder.path): folder for folder in self.folders if folder.location}
        self._locations = {
            fold(posixpath.basename(path)): folder.location
            for path, folder in self._by_path.items()
            if folder.location and folder.evaluation is None and folder.element is None
        }
        self._evaluations = {}
        if self.plan is None:
            return
        self._locations |= {fold(location.key): location.key for location in self.plan.locations()}
        for evaluation in self.plan.document.evaluation_scale:
            self._evaluations |= {
                fold(evaluation.code): evaluation.code,
                fold(evaluation.word): evaluation.code,
            }

    def location_named(self, text: str) -> str | None:
        """The key behind a location's key or folder name, as a person may type it."""
        return self._locations.get(fold(text.strip()))

    def place(self, path: str, exif: Mapping[str, str], slate: str | None = None) -> PlacementClaim:
        """The claim for a file at `path`; its location is None where no rule names one, or two disagree.

        `slate` is the location whose slate was pictured before the file, if that is known.
        """
        findings = [
            found for rule in self.profile.rules if (found := self._read(rule, path, exif, slate)) is not None
        ]
        named = {finding.location for finding in findings if finding.location}
        if len(named) != 1:
            rule = next((finding.rule for finding in findings if finding.location), None)
            source = rule.source if rule else "folder"
            return PlacementClaim(
                inspection_id=self.inspection_id, location_key=None, rule=source, confidence=0.0
            )
        deciding = next(finding for finding in findings if finding.location)
        return self._claim(deciding, findings)

    def _claim(self, deciding: RuleFinding, findings: list[RuleFinding]) -> PlacementClaim:
        ordered = [deciding, *(finding for finding in findings if finding is not deciding)]
        # A narrower statement of elements wins over the range of a folder.
        counted = min((r for r in ordered if r.element), key=_span, default=None)
        judged = next((r for r in ordered if r.evaluation), None)
        noted = next((r for r in ordered if r.note), None)
        used = [r for r in (deciding, counted, judged, noted) if r is not None]
        return PlacementClaim(
            inspection_id=self.inspection_id,
            location_key=deciding.location,
            rule=deciding.rule.source,
            confidence=min(finding.rule.confidence for finding in used),
            element=counted.element if counted else None,
            element_last=counted.element_last if counted else None,
            evaluation=judged.evaluation if judged else None,
            note=noted.note if noted else None,
        )

    def _read(self, rule: Rule, path: str, exif: Mapping[str, str], slate: str | None) -> RuleFinding | None:
        folder, name = posixpath.split(path)
        if rule.source == "order":
            return None
        if rule.source == "slate":
            return RuleFinding(rule, slate) if slate is not None else None
        if rule.source == "folder" and rule.pattern is None:
            return self._prepared(rule, folder)
        text = {"folder": folder, "file_name": name}.get(rule.source) or exif.get(rule.field or "", "")
        found = re.search(rule.pattern or "", text)
        return None if found is None else self._from_groups(rule, found.groupdict())

    def _prepared(self, rule: Rule, folder: str) -> RuleFinding | None:
        """The deepest prepared folder at or above the file's own."""
        while folder:
            prepared = self._by_path.get(fold_path(folder))
            if prepared is not None:
                return RuleFinding(
                    rule, prepared.location, prepared.element, prepared.element_last, prepared.evaluation
                )
            folder = posixpath.dirname(folder)
        return None

    def _from_groups(self, rule: Rule, groups: Mapping[str, str | None]) -> RuleFinding:
        first, last = _element(groups.get("element")), _element(groups.get("element_last"))
        if first is not None and last is not None and last <= first:
            last = None
        return RuleFinding(
            rule,
            self.location_named(groups.get("location") or ""),
            first,
            last if first is not None else None,
            self._evaluations.get(fold(groups.get("evaluation") or "")),
            (groups.get("note") or "")[:NOTE_LIMIT] or None,
        )


def _span(finding: RuleFinding) -> int:
    assert finding.element is not None
    return (finding.element_last or finding.element) - finding.element


def _element(text: str | None) -> int | None:
    number = int(text) if text and text.isascii() and text.isdigit() else 0
    return number if 1 <= number <= LARGEST_ELEMENT else None


def fold_path(path: str) -> str:
    """A path by which prepared folders are found again, whatever a scope or card reader made of the names."""
    return "/".join(fold(part) for part in path.split("/"))

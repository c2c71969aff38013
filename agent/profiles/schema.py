"""A card profile as it is written in TOML; `profile.schema.json` is the published definition."""

from __future__ import annotations

import re
import string
import tomllib
from collections.abc import Iterable
from importlib import resources
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from agent.errors import AgentError
from agent.profiles.fitting import LONGEST_LIMIT, SHORTEST_LIMIT, NameLimits
from service.contract.wire import Code

FORMAT = "sightledger-card-profile/1"
# The first is taken where neither person, workstation nor site names one.
SHIPPED = ("deep", "two-level", "flat-dcf", "flat-slate")

Level = Literal["section", "location", "element_range", "evaluation"]
FIELDS: dict[str, set[str]] = {
    "section": {"number", "key", "name"},
    "location": {"number", "key", "name", "port", "view"},
    "element_range": {"first", "last", "kind"},
    "evaluation": {"number", "code", "word"},
    "condition": {"number", "code", "word"},
}
LIST_NAMES = {
    "location": "SIGHTLEDGER-LOCATIONS.txt",
    "evaluation": "SIGHTLEDGER-EVALUATIONS.txt",
    "condition": "SIGHTLEDGER-CONDITIONS.txt",
}
NUMBERS = {"number", "first", "last"}
GROUPS = {"location", "element", "element_last", "evaluation", "note"}
ORDER: dict[Level, int] = {"section": 0, "location": 1, "element_range": 2, "evaluation": 3}

Extension = Annotated[str, msgspec.Meta(pattern="^[a-z0-9]{1,8}$")]
Confidence = Annotated[float, msgspec.Meta(ge=0, le=1)]
Template = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]


class _Part(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    pass


class Names(_Part):
    longest: Annotated[int, msgspec.Meta(ge=SHORTEST_LIMIT, le=LONGEST_LIMIT)]
    allowed: str | None = None
    case: Literal["keep", "upper", "lower"] = "keep"
    replacement: Annotated[str, msgspec.Meta(pattern="^[A-Za-z0-9_-]$")] = "-"

    def limits(self) -> NameLimits:
        return NameLimits(self.longest, self.allowed, self.case, self.replacement)


class FolderLevel(_Part):
    """`elements` is how many elements share a folder of an element_range."""

    of: Level
    template: Template
    elements: Annotated[int, msgspec.Meta(ge=1)] = 20


class ListFile(_Part):
    """A text file with one line for each location, evaluation or condition of the plan."""

    each: Literal["location", "evaluation", "condition"]
    line: Template

    @property
    def name(self) -> str:
        """Of the file, in the card's root."""
        return LIST_NAMES[self.each]


class FileKinds(_Part):
    stills: list[Extension]
    videos: list[Extension] = []
    sides: list[Extension] = []


class Rule(_Part, rename={"source": "from"}):
    source: Literal["folder", "file_name", "exif", "order", "slate"]
    confidence: Confidence
    pattern: str | None = None
    field: str | None = None


class Profile(_Part):
    format: Literal["sightledger-card-profile/1"]
    code: Code
    title: str
    names: Names
    files: FileKinds
    rules: list[Rule]
    note: str | None = None
    folders: list[FolderLevel] = []
    make: list[str] = []
    lists: list[ListFile] = []

    def rule_from(self, source: str) -> Rule | None:
        """The first rule of this source."""
        return next((rule for rule in self.rules if rule.source == source), None)

    def kind_of(self, name: str) -> Literal["still", "video", "side", "other"]:
        """By the extension alone; what the bytes are is said by marks."""
        extension = name.rpartition(".")[2].lower() if "." in name else ""
        if extension in self.files.stills:
            return "still"
        if extension in self.files.videos:
            return "video"
        return "side" if extension in self.files.sides else "other"


def load_profile(named: str) -> Profile:
    """A shipped profile by its code, or one of your own by its path; raises AgentError saying why not."""
    if named in SHIPPED:
        raw = resources.files("agent.profiles").joinpath(f"{named}.toml").read_bytes()
        return decode_profile(raw, named)
    path = Path(named)
    if not path.is_file():
        raise AgentError(
            f"There is no card profile {named!r}.",
            next_step=f"Name one of {', '.join(SHIPPED)}, or give the path of a TOML file.",
        )
    return decode_profile(path.read_bytes(), named)


def decode_profile(raw: bytes, named: str) -> Profile:
    """A profile from TOML; raises AgentError."""
    try:
        profile = msgspec.convert(tomllib.loads(raw.decode("utf-8")), Profile)
        faults = list(_faults(profile))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        faults = [f"it is no TOML in UTF-8 ({error})"]
    except msgspec.ValidationError as error:
        faults = [f"it has not the shape of a card profile ({error})"]
    if faults:
        raise AgentError(
            f"Card profile {named} cannot be used: {'; '.join(faults)}.",
            "No card was touched.",
            "Correct the file; agent/profiles/profile.schema.json describes it.",
        )
    return profile


def _faults(profile: Profile) -> Iterable[str]:
    levels = [level.of for level in profile.folders]
    if levels and "location" not in levels:
        yield "folders: one level must be 'location'"
    if [ORDER[level] for level in levels] != sorted({ORDER[level] for level in levels}):
        yield "folders: levels go section, location, element_range, evaluation, each at most once"
    for number, level in enumerate(profile.folders):
        yield from template_faults(f"folders[{number}].template", level.template, FIELDS[level.of])
    for number, listed in enumerate(profile.lists):
        yield from template_faults(f"lists[{number}].line", listed.line, FIELDS[listed.each])
    if len({listed.each for listed in profile.lists}) < len(profile.lists):
        yield "lists: each of location, evaluation and condition at most once"
    for number, made in enumerate(profile.make):
        yield from _path_faults(f"make[{number}]", made)
    for number, rule in enumerate(profile.rules):
        yield from _rule_faults(f"rules[{number}]", rule)
    if profile.names.allowed is not None:
        yield from _allowed_faults(profile.names.allowed, profile.names)


def _rule_faults(where: str, rule: Rule) -> Iterable[str]:
    if (rule.source == "exif") != (rule.field is not None):
        yield f"{where}.field: names the Exif field of a rule from 'exif', and of no other"
    if rule.source in ("file_name", "exif") and rule.pattern is None:
        yield f"{where}.pattern: is needed for a rule from {rule.source!r}"
    if rule.source in ("order", "slate") and rule.pattern is not None:
        yield f"{where}.pattern: a rule from {rule.source!r} has none"
    if rule.pattern is None:
        return
    try:
        groups = set(re.compile(rule.pattern).groupindex)
    except re.error as error:
        yield f"{where}.pattern: is no regular expression ({error})"
        return
    if not groups or groups - GROUPS:
        yield f"{where}.pattern: needs named groups out of {', '.join(sorted(GROUPS))}"


def template_faults(where: str, template: str, fields: set[str]) -> Iterable[str]:
    """What is wrong with a template; plain field names only, so that it can reach nothing else."""
    try:
        named = [name for _, name, _, _ in string.Formatter().parse(template) if name is not None]
    except ValueError as error:
        yield f"{where}: is no template ({error})"
        return
    unknown = [name for name in named if name not in fields]
    for name in unknown:
        yield f"{where}: knows {', '.join(sorted(fields))}, not {{{name}}}"
    try:
        if not unknown:
            template.format(**{name: 1 if name in NUMBERS else "x" for name in fields})
    except (ValueError, LookupError) as error:
        yield f"{where}: cannot be filled in ({error})"


def _path_faults(where: str, path: str) -> Iterable[str]:
    if path.startswith("/") or "\\" in path or any(part in ("", ".", "..") for part in path.split("/")):
        yield f"{where}: must be a path below the card's root, with / between its parts"


def _allowed_faults(allowed: str, names: Names) -> Iterable[str]:
    try:
        keeps = re.compile(f"[{allowed}]")
    except re.error as error:
        yield f"names.allowed: is no character class ({error})"
        return
    letters = "abcdefghijklmnopqrstuvwxyz"
    needed = "0123456789" + (letters.upper() if names.case == "upper" else letters) + names.replacement
    if not all(keeps.fullmatch(character) for character in needed):
        yield "names.allowed: must allow the digits, the letters of the case in use and the replacement"

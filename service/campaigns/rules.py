"""The fold of statements into the states of locations, and the roll-up of states. Pure (I3, I4)."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import asdict, dataclass, fields, replace
from datetime import datetime
from itertools import combinations
from typing import Any
from uuid import UUID

from service.contract.plan_document import Requires
from service.contract.work import LocationState, StatementKind
from service.facts.rules import later_facts, standing


@dataclass(frozen=True, slots=True)
class Statement:
    """What a person or agent stated of some locations of one inspection.

    `replaces` names the statements it was made in knowledge of.
    """

    id: UUID
    kind: StatementKind
    locations: frozenset[str]
    replaces: frozenset[UUID] = frozenset()
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Inspection:
    """One unit in one campaign, with the words a person knows them by. `closed_at`: when the campaign was.

    `locations` are those it has, in job order, then those it ever had; `keys` are theirs. Only an inspection
    that is locked tells them.
    """

    id: UUID
    campaign_id: UUID
    campaign: str
    closed_at: datetime | None
    unit_id: UUID
    unit: str
    position: str | None
    site_id: UUID
    site: str
    type_id: UUID
    equipment_type: str
    build: str
    plan_id: UUID
    plan: str
    revision_id: UUID
    revision: str
    version: int
    complete: bool
    locations: tuple[BoundLocation, ...] = ()
    keys: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class FoldedLocation:
    """What the statements make of one location; a next statement has to replace `heads` (ids, ascending)."""

    state: LocationState
    heads: tuple[UUID, ...]


NOTHING_SAID = FoldedLocation("no_statement", ())


def location_state(statements: Iterable[Statement], key: str) -> FoldedLocation:
    """The state of one location from all statements that name it, in any order and however often repeated.

    Heads are the statements that nothing replaces. No head: no_statement. Heads that all say the same
    (kind and reason): that. Heads that differ: conflict, which counts as not complete until a person
    settles it with a statement that replaces every head.

    Decided on purpose: two statements `complete` that do not know of each other agree, so two shifts on
    one unit both count, once, and no conflict is shown. A later `reopened` that names only one of them
    leaves the other standing beside it, and that is a conflict.

    Statements that replace each other in a ring (service.facts) are a conflict, whatever they say.
    """
    named = {statement for statement in statements if key in statement.locations}
    if not named:
        return NOTHING_SAID
    stands = standing(named)
    answers = {(head.kind, head.reason) for head in stands.heads}
    if stands.in_ring or len(answers) > 1:
        return FoldedLocation("conflict", stands.ids)
    [(kind, _)] = answers
    return FoldedLocation(kind, stands.ids)


def fold(statements: Iterable[Statement], keys: Iterable[str]) -> dict[str, FoldedLocation]:
    """`location_state` for each key, reading the statements once."""
    by_key: dict[str, list[Statement]] = {key: [] for key in keys}
    for statement in statements:
        for key in statement.locations & by_key.keys():
            by_key[key].append(statement)
    return {key: location_state(named, key) for key, named in by_key.items()}


def contradictions(statements: Collection[Statement]) -> dict[UUID, frozenset[UUID]]:
    """For each statement those others that say something else of a location both name, where neither replaces
    the other, directly or through others that name that location.

    Statements of different people that do so are a conflict for a person to settle; in one breath they are
    no statement at all. Ids without a contradiction are absent.

    What led from one statement to another may be among those that are none: without it the two are looked at
    again, until what is left says one thing of each location.
    """
    found: dict[UUID, frozenset[UUID]] = {}
    while more := _contradicting([statement for statement in statements if statement.id not in found]):
        found |= more
    return found


def _contradicting(statements: Collection[Statement]) -> dict[UUID, frozenset[UUID]]:
    found: dict[UUID, set[UUID]] = {}
    for key in {key for statement in statements for key in statement.locations}:
        named = [statement for statement in statements if key in statement.locations]
        later = later_facts(named)
        for statement, other in combinations(named, 2):
            differ = (statement.kind, statement.reason) != (other.kind, other.reason)
            if differ and other.id not in later[statement.id] and statement.id not in later[other.id]:
                found.setdefault(statement.id, set()).add(other.id)
                found.setdefault(other.id, set()).add(statement.id)
    return {statement_id: frozenset(others) for statement_id, others in found.items()}


@dataclass(frozen=True, slots=True)
class BoundLocation:
    """One location as an inspection has it. `bound` False: the present revision no longer has it.
    `applicable` False: it does not exist on this build (I11); no statement changes that."""

    key: str
    bound: bool = True
    applicable: bool = True
    mandatory: bool = True
    pictures_required: int = 0
    pictures_held: int = 0

    @property
    def owed(self) -> bool:
        """True when the inspection owes an answer for it."""
        return self.bound and self.applicable

    @property
    def required_held(self) -> int:
        """Pictures held that count towards what is required: more than that proves nothing elsewhere."""
        return min(self.pictures_held, self.pictures_required)


@dataclass(frozen=True, slots=True)
class ShownPicture:
    """One picture at one place of an inspection; `location_key` "": at no location."""

    digest: str
    location_key: str
    evaluation: str | None = None


@dataclass(frozen=True, slots=True)
class OpenPictures:
    """Pictures of one inspection on which something has to follow, whatever is stated of locations."""

    pictures_engineering: int = 0
    pictures_second_look: int = 0
    pictures_unplaced: int = 0


def open_pictures(pictures: Iterable[ShownPicture], scale: Mapping[str, Requires]) -> OpenPictures:
    """Which pictures something has to follow on; `scale` says what each evaluation of the bound revision
    requires. One picture counts once in each column, at however many places it is shown.

    An evaluation that the scale does not have requires a second look: what it requires is not known.
    """
    by_need: dict[str, set[str]] = {"engineering": set(), "second_look": set(), "": set()}
    for picture in pictures:
        if picture.evaluation is not None:
            requires = scale.get(picture.evaluation, "second_look")
            by_need.setdefault(requires, set()).add(picture.digest)
        if not picture.location_key:
            by_need[""].add(picture.digest)
    return OpenPictures(len(by_need["engineering"]), len(by_need["second_look"]), len(by_need[""]))


@dataclass(frozen=True, slots=True)
class Counts:
    """A roll-up: the columns of the completion table, in their order.

    `locations` counts the owed ones and is the sum of complete, omitted, not_inspected, reopened, conflict
    and no_statement. `complete_short` are complete ones with fewer pictures than are required.
    `inspections_blocked` are complete ones beside which something stands open: a location complete_short,
    or one of OpenPictures.

    `pictures_required` and `pictures_held` are those of owed locations; `pictures_required_held` adds up, per
    location, what is held of what is required: more at one place does not make up for too few at another.
    """

    inspections: int = 0
    inspections_complete: int = 0
    inspections_blocked: int = 0
    locations: int = 0
    complete: int = 0
    complete_short: int = 0
    omitted: int = 0
    not_inspected: int = 0
    reopened: int = 0
    conflict: int = 0
    no_statement: int = 0
    not_applicable: int = 0
    pictures_required: int = 0
    pictures_held: int = 0
    pictures_required_held: int = 0
    pictures_engineering: int = 0
    pictures_second_look: int = 0
    pictures_unplaced: int = 0


OPEN_COLUMNS = tuple(field.name for field in fields(OpenPictures))
COLUMNS = tuple(field.name for field in fields(Counts))
# The state of a location and the column that counts it.
COLUMN_OF: dict[LocationState, str] = {
    "complete": "complete",
    "omission_authorised": "omitted",
    "not_inspected": "not_inspected",
    "reopened": "reopened",
    "conflict": "conflict",
    "no_statement": "no_statement",
}
ANSWERED: frozenset[LocationState] = frozenset({"complete", "omission_authorised"})


def shown_state(location: BoundLocation, folded: FoldedLocation) -> LocationState:
    """The state to show: not applicable to the build comes before anything that was said (I11)."""
    return folded.state if location.applicable else "not_applicable"


def inspection_counts(
    locations: Iterable[BoundLocation],
    states: Mapping[str, LocationState],
    pictures: OpenPictures = OpenPictures(),
) -> tuple[Counts, bool]:
    """The counts of one inspection and whether it is complete.

    Complete: every owed location is complete or has an authorised omission. An inspection that owes
    nothing is not complete, so that an empty plan never looks like work done. A location without an
    entry in `states` has no statement. What blocks stands beside "complete" and takes nothing of it away:
    a person stated it.
    """
    tally = dict.fromkeys(COLUMNS, 0) | asdict(pictures)
    answered = 0
    for location in locations:
        if not location.owed:
            tally["not_applicable"] += location.bound
            continue
        state = states.get(location.key, "no_statement")
        tally["locations"] += 1
        tally[COLUMN_OF[state]] += 1
        tally["complete_short"] += state == "complete" and location.required_held < location.pictures_required
        tally["pictures_required"] += location.pictures_required
        tally["pictures_held"] += location.pictures_held
        tally["pictures_required_held"] += location.required_held
        answered += state in ANSWERED
    complete = 0 < answered == tally["locations"]
    tally["inspections"] = 1
    tally["inspections_complete"] = int(complete)
    tally["inspections_blocked"] = int(
        complete and (tally["complete_short"] > 0 or pictures != OpenPictures())
    )
    return Counts(**tally), complete


def rollup(inspections: Iterable[Counts]) -> Counts:
    """The sum of the counts of some inspections."""
    total = dict.fromkeys(COLUMNS, 0)
    for counts in inspections:
        for column in COLUMNS:
            total[column] += getattr(counts, column)
    return Counts(**total)


def times(counts: Counts, number: int) -> Counts:
    """The counts of `number` inspections that all stand alike."""
    return replace(counts, **{column: getattr(counts, column) * number for column in COLUMNS})


def delta(before: Counts, after: Counts) -> Counts:
    """What has to be added to a roll-up when one inspection goes from `before` to `after`."""
    return Counts(**{column: getattr(after, column) - getattr(before, column) for column in COLUMNS})


@dataclass(frozen=True, slots=True)
class Passage:
    """What a change of binding does to the locations of an inspection; keys ascending within each list.

    `renamed` maps a key that comes to the key it had in the older revision; what was said and
    pictured there stays under the older key.
    """

    came: tuple[str, ...]
    went: tuple[str, ...]
    changed: tuple[str, ...]
    renamed: dict[str, str]


def passage(
    before: Mapping[str, object], after: Mapping[str, object], former: Mapping[str, str | None]
) -> Passage:
    """Compare the locations of two revisions by key; `former` gives the older key of a location, if any."""
    came = sorted(after.keys() - before.keys())
    return Passage(
        came=tuple(came),
        went=tuple(sorted(before.keys() - after.keys())),
        changed=tuple(sorted(key for key in before.keys() & after.keys() if before[key] != after[key])),
        renamed={key: old for key in came if (old := former.get(key)) is not None and old in before},
    )


def with_shares(sums: Mapping[str, int]) -> dict[str, Any]:
    """Sums by column, and the shares of them that `service.contract.campaigns.Counted` tells."""
    return {
        **sums,
        "share_complete": share(sums["complete"], sums["locations"]),
        "share_answered": share(sums["complete"] + sums["omitted"], sums["locations"]),
        "share_pictures": share(sums["pictures_required_held"], sums["pictures_required"]),
    }


def share(part: int, whole: int) -> float | None:
    """`part` of `whole` as a fraction; None where `whole` is 0, since no data is not 0 %."""
    return part / whole if whole else None

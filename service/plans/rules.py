"""The life of plan revisions as a fold over facts, and which is effective where and when. Pure (I3, I4)."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from service.contract.plan_document import PlanDocument
from service.contract.plans import EventKind, RevisionState
from service.facts.rules import later_facts, standing

# The kinds that each kind may follow; None stands for a draft without events.
FOLLOWS: dict[EventKind, frozenset[EventKind | None]] = {
    "submitted": frozenset({None, "returned"}),
    "returned": frozenset({"submitted", "approved"}),
    "approved": frozenset({"submitted"}),
    "published": frozenset({"approved", "published", "resumed", "suspended"}),
    "suspended": frozenset({"published", "resumed"}),
    "resumed": frozenset({"suspended"}),
    "withdrawn": frozenset({None, "submitted", "returned", "approved", "published", "suspended", "resumed"}),
}
# A published revision is at first only approved; its publications say where and from when it is effective.
STATE_AFTER: dict[EventKind, RevisionState] = {
    "submitted": "in_review",
    "returned": "draft",
    "approved": "approved",
    "published": "approved",
    "suspended": "suspended",
    "resumed": "approved",
    "withdrawn": "withdrawn",
}
IN_FORCE: frozenset[EventKind] = frozenset({"published", "resumed"})
# No site has this code; it stands for every site that no publication names.
ELSEWHERE = ""


@dataclass(frozen=True, slots=True)
class Event:
    """A fact in the life of one revision, made in knowledge of the events it replaces."""

    id: UUID
    kind: EventKind
    account_id: UUID
    replaces: frozenset[UUID] = frozenset()
    effective_from: datetime | None = None
    sites: frozenset[str] | None = None

    def meaning(self) -> tuple[object, ...]:
        return self.kind, self.effective_from, self.sites


@dataclass(frozen=True, slots=True)
class Publication:
    """A revision is to be worked to from a moment on, at `sites` (None: every site)."""

    effective_from: datetime
    sites: frozenset[str] | None

    def covers(self, site: str) -> bool:
        return self.sites is None or site in self.sites


@dataclass(frozen=True, slots=True)
class FoldedRevision:
    """What the events make of one revision; a next event has to replace `heads` (ids, ascending).

    `state` disregards time and place: it is approved where `publications` are in force.
    """

    state: RevisionState
    heads: tuple[UUID, ...] = ()
    publications: frozenset[Publication] = frozenset()


def fold(events: Iterable[Event]) -> FoldedRevision:
    """One revision folded from all its events, in any order and however often repeated.

    Heads are the events that nothing replaces. If all heads mean the same, that is the state. If
    they differ, the revision is in conflict, effective nowhere until an event replaces them all. Events that
    replace each other in a ring are a conflict too: none of them is the later one.
    """
    distinct = frozenset(events)
    if not distinct:
        return FoldedRevision("draft")
    stands = standing(distinct)
    if stands.in_ring or len({event.meaning() for event in stands.heads}) > 1:
        return FoldedRevision("conflict", stands.ids)
    kind = next(iter(stands.heads)).kind
    publications = _publications(stands.heads, distinct) if kind in IN_FORCE else frozenset()
    return FoldedRevision(STATE_AFTER[kind], stands.ids, publications)


def _publications(heads: Collection[Event], events: Collection[Event]) -> frozenset[Publication]:
    """The publications that the heads leave standing."""
    seen: set[Event] = set()
    waiting = list(heads)
    while waiting:
        event = waiting.pop()
        if event not in seen:
            seen.add(event)
            waiting.extend(_left_standing(event, events))
    return frozenset(
        Publication(event.effective_from, event.sites)
        for event in seen
        if event.kind == "published" and event.effective_from is not None
    )


def _left_standing(event: Event, events: Collection[Event]) -> list[Event]:
    """The replaced events whose publications go on beside or through this one.

    A publication adds to the ones before it, so that a revision can go to further sites step by step.
    A publication after a suspension, or one that settles a conflict, stands alone: that corrects a wrong
    date or list of sites. A resumption leaves everything standing as before.
    """
    replaced = [other for other in events if other.id in event.replaces]
    if event.kind in {"suspended", "resumed"}:
        return replaced
    agree = len({other.meaning() for other in replaced}) == 1
    if event.kind == "published" and agree and replaced[0].kind in IN_FORCE:
        return replaced
    return []


def effective_at(folds: Mapping[UUID, FoldedRevision], at: datetime, site: str) -> UUID | None:
    """The revision of a plan that is effective at a site and instant; `folds` are those of all its revisions.

    Of the publications in force that cover the site and have been reached, the one with the newest
    effective_from. Of two with the same, the greater revision id wins (UUIDv7: the one drafted
    later); this rule only makes the answer unique.
    """
    reached = [
        (publication.effective_from, revision)
        for revision, folded in folds.items()
        for publication in folded.publications
        if publication.effective_from <= at and publication.covers(site)
    ]
    return max(reached)[1] if reached else None


def state_of(
    revision: UUID, folds: Mapping[UUID, FoldedRevision], at: datetime, site: str | None = None
) -> RevisionState:
    """The state of a revision among all revisions of its plan, at an instant and a site.

    Without a site, the revision is effective if it is so at one site at least; it is superseded if its
    publication was reached and other revisions are effective everywhere instead.
    """
    own = folds[revision]
    reached = [publication for publication in own.publications if publication.effective_from <= at]
    sites = _sites_named(folds) if site is None else {site}
    covered = [place for place in sites if any(publication.covers(place) for publication in reached)]
    if not covered:
        return own.state
    if any(effective_at(folds, at, place) == revision for place in covered):
        return "effective"
    return "superseded"


def _sites_named(folds: Mapping[UUID, FoldedRevision]) -> set[str]:
    named = [publication.sites for folded in folds.values() for publication in folded.publications]
    return {ELSEWHERE}.union(*(sites for sites in named if sites is not None))


def editable(events: Collection[Event]) -> bool:
    """True while the document may change: a draft that was never published (I10)."""
    return fold(events).state == "draft" and all(event.kind != "published" for event in events)


def step_fault(event: Event, events: Collection[Event]) -> str | None:
    """Why a new event cannot be recorded beside `events`, or None.

    An event that races with another one at the same step is taken: both stand, as a conflict (I4).
    """
    known = {other.id: other for other in events}
    unknown = event.replaces - known.keys()
    if unknown:
        return f"It replaces {min(map(str, unknown))}, which is no event of this revision."
    return _out_of_step(event, _latest(event.replaces, known)) or _moved_on(event, fold(events), known)


def _latest(replaced: Collection[UUID], known: Mapping[UUID, Event]) -> list[Event]:
    """The replaced events without those that others among them came after: naming an earlier step beside
    a later one makes no conflict of the two, and opens no way back."""
    later = later_facts(known.values())
    return [
        known[event_id]
        for event_id in replaced
        if not any(other_id in later[event_id] and event_id not in later[other_id] for other_id in replaced)
    ]


def _out_of_step(event: Event, replaced: Collection[Event]) -> str | None:
    """Why the event cannot follow, or None. A conflict is settled first: repeat one side, or withdraw."""
    before: set[EventKind | None] = {other.kind for other in replaced} or {None}
    if len({other.meaning() for other in replaced}) > 1:
        fits = event.kind in before or event.kind == "withdrawn"
    else:
        fits = bool(before & FOLLOWS[event.kind])
    steps = " beside ".join(sorted(kind or "a draft that was not submitted" for kind in before))
    return None if fits else f"{event.kind} cannot follow on {steps}."


def _moved_on(event: Event, folded: FoldedRevision, known: Mapping[UUID, Event]) -> str | None:
    for head in folded.heads:
        races = known[head].replaces & event.replaces or not (known[head].replaces or event.replaces)
        if head not in event.replaces and not races:
            return "The revision has moved on since it was read: the event does not replace its heads."
    return None


def person_fault(event: Event, events: Collection[Event], author: UUID) -> str | None:
    """The two-person rule: nobody approves what he wrote or ever submitted. The reason, or None."""
    if event.kind != "approved":
        return None
    if event.account_id == author:
        return "The author of a revision cannot approve it."
    if any(other.kind == "submitted" and other.account_id == event.account_id for other in events):
        return "Whoever submitted a revision cannot approve it."
    return None


class BuildNotCovered(ValueError):
    """The plan says nothing about a build; that is not the same as not applicable (I11)."""


def applicability(document: PlanDocument, build: str) -> dict[str, bool]:
    """For each location, in job order, whether it exists on the build; raises BuildNotCovered."""
    if build not in document.builds:
        raise BuildNotCovered(
            f"Plan {document.plan} revision {document.revision} does not cover build {build}."
        )
    return {location.key: build in location.builds for location in document.locations()}

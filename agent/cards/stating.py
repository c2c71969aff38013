"""What a person says of locations at this workstation, looked up in what was pulled (I4)."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from uuid import UUID

from agent.clock import now
from agent.errors import AgentError
from agent.outbox.cache import Cache
from agent.profiles.mapping import Placer
from service.contract.wire import new_id
from service.contract.work import StatementIn, StatementKind


@dataclass(frozen=True)
class Subject:
    """The inspection that is spoken of, and how its locations are named."""

    inspection_id: UUID
    placer: Placer


@dataclass(frozen=True)
class Given:
    """What a person gives on the command line, with a card or of a unit."""

    unit: str | None = None
    inspection: UUID | None = None
    profile: str | None = None
    scope: str | None = None
    person: str | None = None
    shift: str | None = None
    keep_unplaced: bool = False
    whole_card: bool = False
    complete: list[str] = field(default_factory=list)
    complete_all: bool = False
    not_inspected: list[str] = field(default_factory=list)
    reopened: list[str] = field(default_factory=list)

    @property
    def states_something(self) -> bool:
        return bool(self.complete or self.complete_all or self.not_inspected or self.reopened)


REASONS = "not_inspected_reason:"


def make_statements(cache: Cache, of: Subject, given: Given) -> list[StatementIn]:
    """What a person says of locations, naming the statements that this workstation knows of (I4).

    Person, locations and reasons are looked up in what was pulled, so that nothing is found wrong only when
    the card has been read and its person has gone. Raises AgentError.
    """
    speaker = _speaker(cache, given.person)
    complete = [_key(of, text) for text in given.complete]
    not_inspected = _not_inspected(cache, of, given.not_inspected)
    reopened = [_key(of, text) for text in given.reopened]
    _refuse_contradiction(complete, not_inspected, reopened, given.complete_all)
    inspection = cache.inspection(of.inspection_id)
    heads = {location.key: location.heads for location in inspection.locations} if inspection else {}
    made = []
    if given.complete_all:
        every = [head for known in heads.values() for head in known]
        made.append(_statement(of, speaker, "complete", None, every))
    elif complete:
        known = [head for key in complete for head in heads.get(key, [])]
        made.append(_statement(of, speaker, "complete", list(dict.fromkeys(complete)), known))
    for key, reason in not_inspected.items():
        made.append(_statement(of, speaker, "not_inspected", [key], heads.get(key, []), reason))
    if reopened:
        known = [head for key in reopened for head in heads.get(key, [])]
        made.append(_statement(of, speaker, "reopened", list(dict.fromkeys(reopened)), known))
    return made


def _not_stated(detail: str, next_step: str) -> AgentError:
    return AgentError(detail, "Nothing was read and nothing was stated.", next_step)


def _speaker(cache: Cache, person: str | None) -> str:
    return person_of_site(cache, person, "a statement", "Nothing was read and nothing was stated.")


def person_of_site(cache: Cache, person: str | None, what: str, kept: str) -> str:
    """The name, as the site has it, of the person who says something; `what` needs it, and is refused with
    `kept` where there is none or nobody of that name."""
    worklist = cache.worklist()
    people = worklist.people if worklist else []
    if not people:
        raise AgentError(
            f"No people of this site are known here, and {what} needs the name of one.",
            kept,
            "Connect once and run: sightledger-agent run --once; if it stays so, have an administrator enter "
            "the people of the site.",
        )
    if person is None:
        raise AgentError(
            f"{what.capitalize()} needs the name of the person who makes it.",
            kept,
            f"Give --person: {_some(people)}",
        )
    named = [name for name in people if _folded(name) == _folded(person)]
    if len(named) == 1:
        return named[0]
    near = difflib.get_close_matches(person, people, n=5, cutoff=0.6)
    raise AgentError(
        f"{person!r} is none of the people of this site.",
        kept,
        f"Give --person: {_some(near or people)}",
    )


def _folded(name: str) -> str:
    return " ".join(name.split()).casefold()


def _some(names: Sequence[str], shown: int = 20) -> str:
    more = f", and {len(names) - shown} more" if len(names) > shown else ""
    return ", ".join(names[:shown]) + more


def _not_inspected(cache: Cache, of: Subject, given: Sequence[str]) -> dict[str, str]:
    """Location key and reason of each LOCATION=REASON; a reason may be given by its code or in full."""
    found: dict[str, str] = {}
    for text in given:
        location, _, reason = text.partition("=")
        if not reason.strip():
            raise _not_stated(f"--not-inspected {text!r} gives no reason.", "Write it as LOCATION=REASON.")
        key, term = _key(of, location), _reason(cache, reason.strip())
        if found.setdefault(key, term) != term:
            raise _not_stated(
                f"Location {key} is given two reasons, {found[key]} and {term}.", "Give it one reason."
            )
    return found


def _reason(cache: Cache, reason: str) -> str:
    """The term as it is stored."""
    known = [term for term in cache.terms() if term.startswith(REASONS)]
    if not known:
        raise _not_stated(
            "The reasons for not inspecting a location are not held on this workstation.",
            "Connect once and run: sightledger-agent run --once",
        )
    for term in (reason, f"{REASONS}{reason}"):
        if term in known:
            return term
    codes = [term.removeprefix(REASONS) for term in known]
    raise _not_stated(
        f"{reason!r} is no reason of the list.", f"Give one of these as LOCATION=REASON: {_some(codes)}"
    )


def _refuse_contradiction(
    complete: Sequence[str], not_inspected: Mapping[str, str], reopened: Sequence[str], every: bool
) -> None:
    """Of one location one command says one thing; two would be a conflict with oneself."""
    for word, others in (("not inspected", [*not_inspected]), ("reopened", [*reopened])):
        twice = sorted(others if every else set(others) & set(complete))
        if twice:
            raise _not_stated(
                f"{_some(twice)}: said to be complete and {word} at once.",
                f"Name the complete locations one by one with --complete, without those {word}.",
            )
    both = sorted(not_inspected.keys() & set(reopened))
    if both:
        raise _not_stated(
            f"{_some(both)}: said to be not inspected and reopened at once.", "Say one of the two."
        )


def _statement(
    of: Subject,
    speaker: str,
    kind: StatementKind,
    locations: list[str] | None,
    replaces: list[UUID],
    reason: str | None = None,
) -> StatementIn:
    return StatementIn(
        id=new_id(),
        inspection_id=of.inspection_id,
        kind=kind,
        locations=locations,
        replaces=sorted(set(replaces)),
        reason=reason,
        stated_by=speaker,
        stated_at=now(),
    )


def _key(of: Subject, text: str) -> str:
    key = of.placer.location_named(text)
    if key is None:
        raise _not_stated(
            f"The inspection has no location {text.strip()!r}.",
            "Name a location by its key or by its folder on the card.",
        )
    return key

"""Whose card is this: from its marker, or from what a person picked out of the worklist (I12)."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from uuid import UUID

from agent.cards.extent import extent_of, refuse_part_of_card
from agent.cards.marker import Marker, read_marker
from agent.cards.media import media_present
from agent.cards.reading import Card
from agent.cards.slots import insertion
from agent.errors import AgentError
from agent.outbox.cache import Cache
from agent.outbox.database import now
from agent.profiles.mapping import Placer
from agent.profiles.schema import SHIPPED, Profile, decode_profile, load_profile
from agent.profiles.tree import Plan, folder_tree, picture_order
from agent.settings import Enrolment, State
from service.contract.wire import new_id
from service.contract.work import InspectionBrief, StatementIn, StatementKind


@dataclass(frozen=True)
class Said:
    """What a person gives with a card on the command line."""

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

    @property
    def states_something(self) -> bool:
        return bool(self.complete or self.complete_all or self.not_inspected)


def pick_inspection(cache: Cache, unit: str, inspection_id: UUID | None = None) -> InspectionBrief:
    """The open inspection of a unit; raises AgentError with the nearest serials when there is none (I12)."""
    worklist = cache.worklist()
    if worklist is None:
        raise AgentError(
            "No worklist has been pulled yet.",
            "Without it no unit can be picked; a serial number is never typed free.",
            "Connect once and run: sightledger-agent run --once",
        )
    wanted = unit.strip().casefold()
    of_unit = [i for i in worklist.inspections if i.unit.casefold() == wanted]
    found = [i for i in of_unit if inspection_id in (None, i.id)]
    if len(found) == 1:
        return found[0]
    if of_unit:
        offered = "; ".join(f"{i.id} ({i.campaign}, {i.plan} {i.revision})" for i in of_unit)
        raise AgentError(
            f"Unit {of_unit[0].unit} has {len(of_unit)} open inspections here and none was picked.",
            next_step=f"Pick one with --inspection: {offered}",
        )
    raise _unknown_unit(unit, sorted({i.unit for i in worklist.inspections}), worklist.site)


def _unknown_unit(unit: str, known: list[str], site: str) -> AgentError:
    by_fold = {serial.casefold(): serial for serial in known}
    near = [by_fold[s] for s in difflib.get_close_matches(unit.strip().casefold(), by_fold, n=5, cutoff=0.6)]
    return AgentError(
        f"No open inspection at {site} has the unit {unit!r}.",
        "Nothing was read or written: a picture under a wrong serial number is worse than none.",
        f"Nearest: {', '.join(near)}" if near else "No serial number of the worklist is near it.",
    )


def plan_of(cache: Cache, revision_id: UUID, build: str | None) -> Plan | None:
    document = cache.plan(revision_id)
    if document is None or build is None:
        return None
    return Plan(document, build)


def profile_named(state: State, named: str) -> Profile:
    """A shipped profile, one in the state folder, or a file; raises AgentError."""
    kept = state.profiles / f"{named}.toml"
    if named in SHIPPED or Path(named).is_file():
        return load_profile(named)
    if kept.is_file():
        return decode_profile(kept.read_bytes(), named)
    raise AgentError(
        f"There is no card profile {named} on this workstation.",
        "Nothing was read or written.",
        f"Put its file to {kept}, or name one of {', '.join(SHIPPED)} or the path of a TOML file.",
    )


def usual_profile(state: State, cache: Cache) -> str:
    """What a card goes by where nobody says: the workstation's profile, its site's, or the first shipped."""
    worklist = cache.worklist()
    return state.settings().profile or (worklist and worklist.card_profile) or SHIPPED[0]


def profile_to_read(state: State, named: str | None, usual: str) -> Profile:
    """The profile a person named; else the usual one. Where that is not on this workstation, a shipped one:
    the folders in a marker still say what they mean, and every file is kept whatever it is taken for."""
    if named is not None:
        return profile_named(state, named)
    try:
        return profile_named(state, usual)
    except AgentError:
        return load_profile(SHIPPED[0])


def profile_to_prepare(state: State, cache: Cache, named: str | None) -> Profile:
    """The profile; one from a file is kept, so that the card can be read when it comes back."""
    named = named or usual_profile(state, cache)
    profile = profile_named(state, named)
    if named in SHIPPED or not Path(named).is_file():
        return profile
    if profile.code in SHIPPED:
        raise AgentError(
            f"The profile in {named} has the code of a shipped one, {profile.code}.",
            "Nothing was written: a card of it would be read by the shipped rules.",
            "Give it a code of its own.",
        )
    (state.profiles / f"{profile.code}.toml").write_bytes(Path(named).read_bytes())
    return profile


def identify(state: State, cache: Cache, enrolment: Enrolment, root: Path, said: Said) -> Card:
    """What is known of the card at `root`; raises AgentError for a card of another site or a wrong pick."""
    inserted = insertion(root)
    marker = read_marker(root)
    card = _card(state, cache, enrolment, root, marker, said)
    card.insertion = inserted
    card.extent = extent_of(root, marker, media_present(state.settings()))
    card.confirmed_by = _confirmed(card, said)
    return card


def _card(
    state: State, cache: Cache, enrolment: Enrolment, root: Path, marker: Marker | None, said: Said
) -> Card:
    if marker is None:
        refuse_part_of_card(root)
    if marker is not None and marker.site != enrolment.site:
        return _foreign(state, cache, enrolment, root, marker, said)
    if marker is not None:
        card = _prepared(state, cache, enrolment, root, marker, said)
    elif said.unit is not None:
        inspection = pick_inspection(cache, said.unit, said.inspection)
        card = _picked(state, cache, enrolment, root, inspection, said)
    else:
        profile = profile_to_read(state, said.profile, usual_profile(state, cache))
        card = Card(root, profile, enrolment.site)
    card.scope, card.person = said.scope or card.scope, said.person or card.person
    card.shift = said.shift
    card.statements = make_statements(cache, card, said)
    return card


def _confirmed(card: Card, said: Said) -> str | None:
    """Who says that this is a whole card; raises AgentError where nobody can say so."""
    if not said.whole_card:
        return None
    if said.person is None:
        raise AgentError(
            "--whole-card needs the name of who has seen that this is a whole card.",
            "Nothing was read.",
            "Add --person NAME.",
        )
    if card.extent.kind == "part":
        raise AgentError(
            f"This is not a whole card: {card.extent.note}.",
            "Nothing was read.",
            "Read the medium itself, or leave --whole-card out: the files are kept, and no wipe is cleared.",
        )
    return said.person


def _foreign(
    state: State, cache: Cache, enrolment: Enrolment, root: Path, marker: Marker, said: Said
) -> Card:
    if not said.keep_unplaced:
        raise AgentError(
            f"This card was prepared at site {marker.site}; this workstation belongs to {enrolment.site}.",
            "Nothing was read. The card is as it was: do not wipe it.",
            f"Take it to a workstation of {marker.site}; or read it here with --keep-unplaced, "
            "and every file is kept but shown at no unit.",
        )
    profile = profile_to_read(state, said.profile, usual_profile(state, cache))
    return Card(
        root, profile, enrolment.site, marker, foreign=True,
        scope=said.scope or marker.scope, person=said.person or marker.person, shift=said.shift,
    )  # fmt: skip


def _prepared(
    state: State, cache: Cache, enrolment: Enrolment, root: Path, marker: Marker, said: Said
) -> Card:
    if said.unit is not None and said.unit.strip().casefold() != marker.unit.casefold():
        raise AgentError(
            f"The card was prepared for unit {marker.unit}, not for {said.unit}.",
            "Nothing was read.",
            "Read it without --unit; pictures of another unit on it can be moved afterwards, with a reason.",
        )
    inspection = cache.inspection(marker.inspection_id)
    profile = profile_to_read(state, said.profile, marker.profile)
    plan = plan_of(cache, marker.revision_id, inspection.build if inspection else None)
    return Card(
        root,
        profile,
        enrolment.site,
        marker,
        marker.unit,
        marker.inspection_id,
        marker.revision_id,
        Placer(marker.inspection_id, profile, plan, marker.tree()),
        marker.scope,
        marker.person,
        order=marker.picture_order(),
    )


def _picked(
    state: State, cache: Cache, enrolment: Enrolment, root: Path, inspection: InspectionBrief, said: Said
) -> Card:
    profile = profile_to_read(state, said.profile, usual_profile(state, cache))
    plan = plan_of(cache, inspection.revision_id, inspection.build)
    folders = folder_tree(plan, profile) if plan else []
    return Card(
        root,
        profile,
        enrolment.site,
        None,
        inspection.unit,
        inspection.id,
        inspection.revision_id,
        Placer(inspection.id, profile, plan, folders),
        order=picture_order(plan) if plan else [],
    )


REASONS = "not_inspected_reason:"


def make_statements(cache: Cache, card: Card, said: Said) -> list[StatementIn]:
    """What a person says of locations, naming the statements that this workstation knows of (I4).

    Person, locations and reasons are looked up in what was pulled, so that nothing is found wrong only when
    the card has been read and its person has gone. Raises AgentError.
    """
    if not said.states_something:
        return []
    if card.inspection_id is None or card.placer is None:
        raise _not_stated(
            "A statement needs an inspection, and this card has none.",
            "Pick the unit with --unit, or read the card without the statement.",
        )
    speaker = _speaker(cache, said.person)
    complete = [_key(card, text) for text in said.complete]
    not_inspected = _not_inspected(cache, card, said.not_inspected)
    _refuse_contradiction(complete, not_inspected, said.complete_all)
    inspection = cache.inspection(card.inspection_id)
    heads = {location.key: location.heads for location in inspection.locations} if inspection else {}
    made = []
    if said.complete_all:
        every = [head for known in heads.values() for head in known]
        made.append(_statement(card, speaker, "complete", None, every))
    elif complete:
        known = [head for key in complete for head in heads.get(key, [])]
        made.append(_statement(card, speaker, "complete", list(dict.fromkeys(complete)), known))
    for key, reason in not_inspected.items():
        made.append(_statement(card, speaker, "not_inspected", [key], heads.get(key, []), reason))
    return made


def _not_stated(detail: str, next_step: str) -> AgentError:
    return AgentError(detail, "Nothing was read and nothing was stated.", next_step)


def _speaker(cache: Cache, person: str | None) -> str:
    """The name, as the site has it, of the person who states something."""
    worklist = cache.worklist()
    people = worklist.people if worklist else []
    if not people:
        raise _not_stated(
            "No people of this site are known here, and a statement needs the name of one.",
            "Connect once and run: sightledger-agent run --once; if it stays so, have an administrator enter "
            "the people of the site.",
        )
    if person is None:
        raise _not_stated(
            "A statement needs the name of the person who makes it.", f"Give --person: {_some(people)}"
        )
    named = [name for name in people if _folded(name) == _folded(person)]
    if len(named) == 1:
        return named[0]
    near = difflib.get_close_matches(person, people, n=5, cutoff=0.6)
    raise _not_stated(
        f"{person!r} is none of the people of this site.",
        f"Give --person: {_some(near or people)}",
    )


def _folded(name: str) -> str:
    return " ".join(name.split()).casefold()


def _some(names: Sequence[str], shown: int = 20) -> str:
    more = f", and {len(names) - shown} more" if len(names) > shown else ""
    return ", ".join(names[:shown]) + more


def _not_inspected(cache: Cache, card: Card, given: Sequence[str]) -> dict[str, str]:
    """Location key and reason of each LOCATION=REASON; a reason may be given by its code or in full."""
    found: dict[str, str] = {}
    for text in given:
        location, _, reason = text.partition("=")
        if not reason.strip():
            raise _not_stated(f"--not-inspected {text!r} gives no reason.", "Write it as LOCATION=REASON.")
        key, term = _key(card, location), _reason(cache, reason.strip())
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


def _refuse_contradiction(complete: Sequence[str], not_inspected: Mapping[str, str], every: bool) -> None:
    """Of one location one command says one thing; two would be a conflict with oneself."""
    twice = sorted(not_inspected if every else not_inspected.keys() & set(complete))
    if twice:
        raise _not_stated(
            f"{_some(twice)}: said to be complete and not inspected at once.",
            "Name the complete locations one by one with --complete, without those not inspected.",
        )


def _statement(
    card: Card,
    speaker: str,
    kind: StatementKind,
    locations: list[str] | None,
    replaces: list[UUID],
    reason: str | None = None,
) -> StatementIn:
    assert card.inspection_id is not None
    return StatementIn(
        id=new_id(),
        inspection_id=card.inspection_id,
        kind=kind,
        locations=locations,
        replaces=sorted(set(replaces)),
        reason=reason,
        stated_by=speaker,
        stated_at=now(),
    )


def _key(card: Card, text: str) -> str:
    assert card.placer is not None
    key = card.placer.location_named(text)
    if key is None:
        raise _not_stated(
            f"The card's inspection has no location {text.strip()!r}.",
            "Name a location by its key or by its folder on the card.",
        )
    return key

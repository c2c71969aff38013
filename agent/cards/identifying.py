"""Whose card is this: from its marker, or from what a person picked out of the worklist (I12)."""

from __future__ import annotations

import difflib
from pathlib import Path
from uuid import UUID

from agent import private
from agent.cards.extent import extent_of, refuse_part_of_card
from agent.cards.marker import Marker, read_marker
from agent.cards.media import media_present
from agent.cards.slots import insertion
from agent.cards.stating import Given, Subject, make_statements, person_of_site
from agent.cards.taking import Card
from agent.errors import AgentError
from agent.outbox.cache import Cache
from agent.profiles.mapping import Placer
from agent.profiles.schema import SHIPPED, Profile, decode_profile, load_profile
from agent.profiles.tree import Plan, folder_tree, picture_order
from agent.settings import Enrolment, State
from service.contract.work import InspectionBrief


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
    private.write(state.profiles / f"{profile.code}.toml", Path(named).read_bytes())
    return profile


def identify(state: State, cache: Cache, enrolment: Enrolment, root: Path, given: Given) -> Card:
    """What is known of the card at `root`; raises AgentError for a card of another site or a wrong pick."""
    inserted = insertion(root)
    marker = read_marker(root)
    card = _card(state, cache, enrolment, root, marker, given)
    card.insertion = inserted
    card.extent = extent_of(root, marker, media_present(state.settings()))
    card.confirmed_by = _confirmed(cache, card, given)
    return card


def _subject(card: Card) -> Subject:
    if card.inspection_id is None or card.placer is None:
        raise AgentError(
            "A statement needs an inspection, and this card has none.",
            "Nothing was read and nothing was stated.",
            "Pick the unit with --unit, or read the card without the statement.",
        )
    return Subject(card.inspection_id, card.placer)


def subject_of(cache: Cache, profile: Profile, inspection: InspectionBrief) -> Subject:
    """What can be stated of an inspection without a card."""
    plan = plan_of(cache, inspection.revision_id, inspection.build)
    return Subject(inspection.id, _placer(inspection.id, profile, plan))


def _placer(inspection_id: UUID, profile: Profile, plan: Plan | None) -> Placer:
    """By the folders that the profile makes of the plan: no marker says which there are."""
    return Placer(inspection_id, profile, plan, folder_tree(plan, profile) if plan else [])


def _card(
    state: State, cache: Cache, enrolment: Enrolment, root: Path, marker: Marker | None, given: Given
) -> Card:
    if marker is None:
        refuse_part_of_card(root)
    if marker is not None and marker.site != enrolment.site:
        return _foreign(state, cache, enrolment, root, marker, given)
    if marker is not None:
        card = _prepared(state, cache, enrolment, root, marker, given)
    elif given.unit is not None:
        inspection = pick_inspection(cache, given.unit, given.inspection)
        card = _picked(state, cache, enrolment, root, inspection, given)
    else:
        profile = profile_to_read(state, given.profile, usual_profile(state, cache))
        card = Card(root, profile, enrolment.site)
    card.scope, card.person = given.scope or card.scope, given.person or card.person
    card.shift = given.shift
    if given.states_something:
        card.statements = make_statements(cache, _subject(card), given)
    return card


def _confirmed(cache: Cache, card: Card, given: Given) -> str | None:
    """Who says that this is a whole card; raises AgentError where nobody can say so."""
    if not given.whole_card:
        return None
    person = person_of_site(cache, given.person, "the confirmation of a whole card", "Nothing was read.")
    if card.extent.kind == "part":
        raise AgentError(
            f"This is not a whole card: {card.extent.note}.",
            "Nothing was read.",
            "Read the medium itself, or leave --whole-card out: the files are kept, and no wipe is cleared.",
        )
    return person


def _foreign(
    state: State, cache: Cache, enrolment: Enrolment, root: Path, marker: Marker, given: Given
) -> Card:
    if not given.keep_unplaced:
        raise AgentError(
            f"This card was prepared at site {marker.site}; this workstation belongs to {enrolment.site}.",
            "Nothing was read. The card is as it was: do not wipe it.",
            f"Take it to a workstation of {marker.site}; or read it here with --keep-unplaced, "
            "and every file is kept but shown at no unit.",
        )
    profile = profile_to_read(state, given.profile, usual_profile(state, cache))
    return Card(
        root, profile, enrolment.site, marker, foreign=True,
        scope=given.scope or marker.scope, person=given.person or marker.person, shift=given.shift,
    )  # fmt: skip


def _prepared(
    state: State, cache: Cache, enrolment: Enrolment, root: Path, marker: Marker, given: Given
) -> Card:
    if given.unit is not None and given.unit.strip().casefold() != marker.unit.casefold():
        raise AgentError(
            f"The card was prepared for unit {marker.unit}, not for {given.unit}.",
            "Nothing was read.",
            "Read it without --unit; pictures of another unit on it can be moved afterwards, with a reason.",
        )
    inspection = cache.inspection(marker.inspection_id)
    profile = profile_to_read(state, given.profile, marker.profile)
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
    state: State, cache: Cache, enrolment: Enrolment, root: Path, inspection: InspectionBrief, given: Given
) -> Card:
    profile = profile_to_read(state, given.profile, usual_profile(state, cache))
    plan = plan_of(cache, inspection.revision_id, inspection.build)
    return Card(
        root,
        profile,
        enrolment.site,
        None,
        inspection.unit,
        inspection.id,
        inspection.revision_id,
        _placer(inspection.id, profile, plan),
        order=picture_order(plan) if plan else [],
    )

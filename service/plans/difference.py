"""What changes from one revision of a plan to another, as data and as text. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

import msgspec

from service.contract.plan_document import EvaluationWord, Limit, Location, PlanDocument
from service.contract.plans import (
    Difference,
    EvaluationChange,
    FieldChange,
    LocationBrief,
    LocationChange,
    LocationRenamed,
)

HEADER = (
    "plan",
    "title",
    "revision",
    "equipmentType",
    "builds",
    "interval",
    "changeNote",
    "invented",
)


def difference(old: PlanDocument, new: PlanDocument) -> Difference:
    """What `new` changes of `old`.

    A location is the same one if it has the same key, or if one of the two revisions gives the other's
    key as its former key; that reads the same in both directions. A former key alone is no change.
    """
    before, after = _by_key(old), _by_key(new)
    renamed = _renamed(old, new)
    same = {key: key for key in before if key in after} | renamed
    arrived = set(after) - set(same.values())
    evaluations_before = {evaluation.code: evaluation for evaluation in old.evaluation_scale}
    evaluations_after = {evaluation.code: evaluation for evaluation in new.evaluation_scale}
    return Difference(
        plan=new.plan,
        before=old.revision,
        after=new.revision,
        header=_changes(_header(old), _header(new)),
        cautions_added=[code for code in new.cautions if code not in old.cautions],
        cautions_removed=[code for code in old.cautions if code not in new.cautions],
        evaluations_added=[
            evaluation for code, evaluation in evaluations_after.items() if code not in evaluations_before
        ],
        evaluations_removed=[
            evaluation for code, evaluation in evaluations_before.items() if code not in evaluations_after
        ],
        evaluations_changed=list(_evaluations_changed(evaluations_before, evaluations_after)),
        added=[_brief(*after[key]) for key in after if key in arrived],
        removed=[_brief(*before[key]) for key in before if key not in same],
        renamed=[LocationRenamed(before=k, after=n, name=after[n][1].name) for k, n in renamed.items()],
        changed=list(_locations_changed(before, after, same)),
        reordered=[same[key] for key in before if key in same]
        != [key for key in after if key not in arrived],
    )


Located = tuple[str, Location]  # the section's name and the location


def _by_key(document: PlanDocument) -> dict[str, Located]:
    return {
        location.key: (section.name, location)
        for section in document.sections
        for location in section.locations
    }


def _renamed(old: PlanDocument, new: PlanDocument) -> dict[str, str]:
    """Maps key before to key after. A key that would match two others matches none."""
    before = {location.key: location.former_key for location in old.locations()}
    after = {location.key: location.former_key for location in new.locations()}
    pairs = {(former, key) for key, former in after.items() if former is not None}
    pairs |= {(key, former) for key, former in before.items() if former is not None}
    gone, come = before.keys() - after.keys(), after.keys() - before.keys()
    candidates = sorted(
        (old_key, new_key) for old_key, new_key in pairs if old_key in gone and new_key in come
    )
    old_keys = Counter(old_key for old_key, _ in candidates)
    new_keys = Counter(new_key for _, new_key in candidates)
    return {
        old_key: new_key for old_key, new_key in candidates if old_keys[old_key] == new_keys[new_key] == 1
    }


def _header(document: PlanDocument) -> dict[str, Any]:
    members = msgspec.to_builtins(document)
    return {name: members[name] for name in HEADER}


def _locations_changed(
    before: dict[str, Located], after: dict[str, Located], same: dict[str, str]
) -> Iterator[LocationChange]:
    to_old = {new: old for old, new in same.items()}
    for key, located in after.items():
        if key in to_old:
            old, new = before[to_old[key]], located
            changes = _changes(_content(*old), _content(*new)) + _limits_changed(old[1].limits, new[1].limits)
            if changes:
                yield LocationChange(key=key, name=located[1].name, changes=changes)


def _content(section: str, location: Location) -> dict[str, Any]:
    members = msgspec.to_builtins(location)
    return {"section": section} | {
        n: v for n, v in members.items() if n not in {"key", "formerKey", "limits"}
    }


def _limits_changed(before: list[Limit], after: list[Limit]) -> list[FieldChange]:
    """Changes figure by figure, with limits matched by purpose; the whole list if only its order differs."""
    changes = _changes(_by_purpose(before), _by_purpose(after), "limits")
    if not changes and before != after:
        return [
            FieldChange(field="limits", before=msgspec.to_builtins(before), after=msgspec.to_builtins(after))
        ]
    return changes


def _by_purpose(limits: list[Limit]) -> dict[str, dict[str, Any]]:
    return {
        f"{limit.condition} {limit.quantity} ({limit.unit})": {
            "accept": limit.accept,
            "refer": limit.refer,
            "note": limit.note,
        }
        for limit in limits
    }


def _evaluations_changed(
    before: dict[str, EvaluationWord], after: dict[str, EvaluationWord]
) -> Iterator[EvaluationChange]:
    for code, evaluation in after.items():
        changes = (
            _changes(msgspec.to_builtins(before[code]), msgspec.to_builtins(evaluation))
            if code in before
            else []
        )
        if changes:
            yield EvaluationChange(code=code, changes=changes)


def _changes(before: Any, after: Any, path: str = "") -> list[FieldChange]:
    """Changes member by member if both values are maps, else one change of the whole value."""
    if before == after:
        return []
    if not (isinstance(before, dict) and isinstance(after, dict)):
        return [FieldChange(field=path, before=before, after=after)]
    names = [*before, *(name for name in after if name not in before)]
    prefix = f"{path}." if path else ""
    return [
        change for name in names for change in _changes(before.get(name), after.get(name), f"{prefix}{name}")
    ]


def _brief(section: str, location: Location) -> LocationBrief:
    return LocationBrief(key=location.key, name=location.name, section=section)


def difference_text(found: Difference) -> str:
    """The difference for reading, one fact to a line."""
    lines = [f"Plan {found.plan}: revision {found.after} against revision {found.before}"]
    blocks = [
        ("Heading", [_line(change) for change in found.header]),
        ("Locations added", [_place(place) for place in found.added]),
        ("Locations removed", [_place(place) for place in found.removed]),
        ("Locations renamed", [f"{n.before} is now {n.after} ({n.name})" for n in found.renamed]),
        ("Locations changed", list(_location_lines(found))),
        ("Evaluation scale", list(_evaluation_lines(found))),
        ("Cautions added", found.cautions_added),
        ("Cautions removed", found.cautions_removed),
        ("Order", ["the locations stand in another order"] if found.reordered else []),
    ]
    for title, entries in blocks:
        if entries:
            lines += ["", title, *(f"  {entry}" for entry in entries)]
    if len(lines) == 1:
        lines.append("No difference.")
    return "\n".join(lines) + "\n"


def _location_lines(found: Difference) -> Iterator[str]:
    for location in found.changed:
        yield f"{location.key} ({location.name})"
        yield from (f"  {_line(change)}" for change in location.changes)


def _evaluation_lines(found: Difference) -> Iterator[str]:
    yield from (f"added: {evaluation.word}, rank {evaluation.rank}" for evaluation in found.evaluations_added)
    yield from (
        f"removed: {evaluation.word}, rank {evaluation.rank}" for evaluation in found.evaluations_removed
    )
    for evaluation in found.evaluations_changed:
        yield f"{evaluation.code}: " + "; ".join(map(_line, evaluation.changes))


def _place(place: LocationBrief) -> str:
    return f"{place.key} ({place.name}), section {place.section}"


def _line(change: FieldChange) -> str:
    return f"{change.field}: {_shown(change.before)} -> {_shown(change.after)}"


def _shown(value: Any) -> str:
    match value:
        case None:
            return "not given"
        case bool():
            return "yes" if value else "no"
        case list():
            return "[" + "; ".join(map(_shown, value)) + "]"
        case dict():
            return ", ".join(f"{name} {_shown(member)}" for name, member in value.items())
        case _:
            return str(value)

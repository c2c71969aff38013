"""The standard plan library on the wire: types, builds, plans, revisions, their events and differences."""

from __future__ import annotations

from typing import Annotated, Any, Literal
from uuid import UUID

import msgspec

from service.contract.plan_document import EvaluationWord
from service.contract.wire import Code, Digest, Text, UtcTime, Wire

Name = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]

EventKind = Literal["submitted", "returned", "approved", "published", "suspended", "resumed", "withdrawn"]
RevisionState = Literal[
    "draft", "in_review", "approved", "effective", "superseded", "suspended", "withdrawn", "conflict"
]


class Term(Wire):
    """One term. `provenance` stands here where it differs from the list's."""

    code: str
    term: str
    parent: str | None = None
    synonyms: list[str] = []
    provenance: str | None = None


class TermList(Wire):
    """Terms only; store one as `list:code`. `provenance`: seen, memory, house or mixed."""

    id: str
    title: str
    source: str
    provenance: str
    note: str
    terms: list[Term]


class Caution(Wire):
    """A caution to show; the site's permit system stays the authority (I13)."""

    id: str
    text: str
    rule: str
    show_when: str
    needs_ack: bool
    provenance: str
    note: str


class Vocabulary(Wire):
    lists: list[TermList]
    cautions: list[Caution]


class TypeIn(Wire):
    id: UUID
    name: Name


class BuildIn(Wire):
    id: UUID
    name: Name


class Build(Wire):
    id: UUID
    code: str
    name: str


class EquipmentType(Wire):
    id: UUID
    code: str
    name: str
    builds: list[Build]


class PlanIn(Wire):
    id: UUID
    title: Name
    equipment_type: Code


class Plan(Wire):
    id: UUID
    code: str
    title: str
    equipment_type: str
    created_at: UtcTime


class RevisionEventIn(Wire):
    """A step in the life of a revision. `replaces` lists the `heads` of the revision as the caller read
    it (I4); `effectiveFrom` and `sites` (null = all) belong to `published` only. `backdated` says that
    an effectiveFrom in the past is meant; `note` has to say why."""

    id: UUID
    kind: EventKind
    replaces: Annotated[list[UUID], msgspec.Meta(max_length=100)] = []
    note: Text | None = None
    effective_from: UtcTime | None = None
    sites: Annotated[list[Code], msgspec.Meta(min_length=1, max_length=1000)] | None = None
    backdated: bool = False


class RevisionEvent(Wire):
    id: UUID
    kind: EventKind
    replaces: list[UUID]
    note: str | None
    effective_from: UtcTime | None
    sites: list[str] | None
    by: str
    recorded_at: UtcTime


class Publication(Wire):
    """That a revision is to be worked to from a moment on, at `sites` (null = every site)."""

    effective_from: UtcTime
    sites: list[str] | None


class Revision(Wire):
    """`state` as of the moment of reading, at the site asked for or, with none asked for, anywhere:
    effective if it is effective at one site at least. `publications` are those in force."""

    id: UUID
    plan: str
    label: str
    state: RevisionState
    digest: Digest
    version: int
    author: str
    created_at: UtcTime
    publications: list[Publication]


class RevisionDetail(Revision):
    """`heads` are the events that a next one has to replace."""

    heads: list[UUID]
    events: list[RevisionEvent]


class ApplicableLocation(Wire):
    """`applicable` False: the build does not have it; that is not the same as nothing said of it (I11)."""

    key: str
    name: str
    section: str
    applicable: bool


class PlanFinding(Wire):
    """One fault of a plan document. `path` is a JSON pointer (RFC 6901); line and column count from 1."""

    path: str
    line: int
    column: int
    message: str
    severity: Literal["error", "warning"]


class PlanCheck(Wire):
    """`digest` is that of the canonical document, null where the document has an error."""

    findings: list[PlanFinding]
    digest: Digest | None


class FieldChange(Wire):
    """`field` is a path of member names, `pictures.required`; null: not given."""

    field: str
    before: Any
    after: Any


class LocationBrief(Wire):
    key: str
    name: str
    section: str


class LocationRenamed(Wire):
    before: str
    after: str
    name: str


class LocationChange(Wire):
    """`key` is the key in the later revision."""

    key: str
    name: str
    changes: list[FieldChange]


class EvaluationChange(Wire):
    code: str
    changes: list[FieldChange]


class Difference(Wire):
    """What a later revision changes. A renamed location is told in `renamed`; where its content differs
    too, also in `changed`. `reordered`: the locations both have stand in another order."""

    plan: str
    before: str
    after: str
    header: list[FieldChange]
    cautions_added: list[str]
    cautions_removed: list[str]
    evaluations_added: list[EvaluationWord]
    evaluations_removed: list[EvaluationWord]
    evaluations_changed: list[EvaluationChange]
    added: list[LocationBrief]
    removed: list[LocationBrief]
    renamed: list[LocationRenamed]
    changed: list[LocationChange]
    reordered: bool

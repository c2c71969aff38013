"""Pulls what the workstation works from, as little as has changed."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from datetime import timedelta
from uuid import UUID

import msgspec

from agent.client.service import Service
from agent.clock import now
from agent.errors import AgentError
from agent.outbox.cache import Cache
from service.contract.work import RevisionBrief, Worklist


class _Term(msgspec.Struct):
    code: str
    term: str


class _TermList(msgspec.Struct):
    id: str
    terms: list[_Term]


class _Caution(msgspec.Struct):
    id: str
    text: str


class _Vocabulary(msgspec.Struct):
    """What the agent needs of the service's vocabulary; other members are left alone."""

    lists: list[_TermList]
    cautions: list[_Caution] = []


@dataclass
class PullOutcome:
    """What came and what the pulled worklist holds."""

    inspections: int = 0
    revisions_new: list[str] = field(default_factory=list)
    changed: bool = False


def pull(cache: Cache, service: Service, site: str) -> PullOutcome:
    """Bring worklist, plan revisions and term lists up to date.

    Raises LinkDown or Refused; what was pulled until then is kept.
    """
    outcome = PullOutcome()
    outcome.changed = _refresh(cache, service, f"/sites/{site}/worklist")
    if service.clock_offset is not None:
        cache.keep("clock-offset", f"{service.clock_offset:.2f}".encode("ascii"))
        cache.note_heard(now() + timedelta(seconds=service.clock_offset))
    worklist = cache.worklist() or Worklist(
        site=site, inspections=[], revisions=[], card_profile=None, people=[]
    )
    outcome.inspections = len(worklist.inspections)
    for brief in worklist.revisions:
        if not cache.holds_revision(brief):
            cache.keep_revision(brief, _document(service, brief))
            outcome.revisions_new.append(f"{brief.plan} {brief.label}")
    if outcome.revisions_new or cache.document("vocabulary") is None:
        _pull_vocabulary(cache, service)
    return outcome


def _refresh(cache: Cache, service: Service, path: str) -> bool:
    """Keep the newest worklist; what something between answered in its place leaves the one held before."""
    cached = cache.document("worklist")
    pulled = service.pull(path, cached.etag if cached else None)
    if pulled.body is None:
        cache.note_fetched("worklist")
        return False
    service.understood(pulled.body, Worklist)
    cache.keep("worklist", pulled.body, pulled.etag)
    return True


def _document(service: Service, brief: RevisionBrief) -> bytes:
    body = service.pull(document_path(brief.id)).body or b""
    if hashlib.sha256(body).hexdigest() != brief.digest:
        raise AgentError(
            f"The document of {brief.plan} {brief.label} is not the one that the worklist names.",
            "It was not kept; cards can be prepared under the revisions held before.",
            "Try again; if it stays so, tell the quality office.",
        )
    return body


def document_path(revision_id: UUID) -> str:
    return f"/plan-revisions/{revision_id}/document"


def _pull_vocabulary(cache: Cache, service: Service) -> None:
    body = service.pull("/vocabulary").body or b'{"lists":[]}'
    vocabulary = service.understood(body, _Vocabulary)
    terms = {f"{listed.id}:{term.code}": term.term for listed in vocabulary.lists for term in listed.terms}
    cache.keep("vocabulary", msgspec.json.encode(terms))
    cache.keep("cautions", msgspec.json.encode({caution.id: caution.text for caution in vocabulary.cautions}))

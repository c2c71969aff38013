"""The service's routes that an agent uses."""

from __future__ import annotations

import gzip
import io
from dataclasses import dataclass
from datetime import datetime
from email.utils import parsedate_to_datetime
from typing import Any, TypeVar
from uuid import UUID

import msgspec

from agent.client.connection import Answer, Broken, Failure
from agent.client.http import Link, cannot_serve, checked, link_down
from agent.client.traffic import Stream, Traffic
from agent.clock import now, steady
from service.contract.access import AgentEnrolled, AgentReport, AgentToken, EnrolAgent, JwkSet
from service.contract.cards import (
    CardReturnCommit,
    FilesAhead,
    LargeAnswer,
    LargeParts,
    PartAnswer,
    RecordedReturn,
)
from service.contract.comparing import ImagesAsked, ImagesHeld, ReturnAsked, ReturnsAsked, ReturnsKnown
from service.contract.wire import WORTH_PACKING
from service.contract.work import StatementIn

BASE = "/api/v1"
CONNECTIONS = 4
# Long answers: 500 tickets of about 1 kB, a receipt of about 200 bytes for each file, a plan or worklist.
TICKETS = 1_000_000
RECEIPT_LINE = 200
DOCUMENT = 4_000_000


# RFC 9110 15.3.3
ACCEPTED = 202

Kind = TypeVar("Kind")


@dataclass(frozen=True, slots=True)
class Pulled:
    """`body` None: what is cached under the ETag still holds."""

    body: bytes | None
    etag: str | None


class Service:
    """All methods raise LinkDown when the service cannot serve, Refused when it will not.

    Each can be repeated (I8), so one whose kept-alive connection had broken is, at once.
    """

    def __init__(
        self, url: str, token: str | None = None, timeout: float = 30.0, traffic: Traffic | None = None
    ) -> None:
        self.url = url.rstrip("/")
        self._headers = {"Authorization": f"Bearer {token}"} if token else {}
        self._link = Link(self.url, timeout, CONNECTIONS, packed=True)
        self._traffic = traffic or Traffic(1)
        self.clock_offset: float | None = None

    def close(self) -> None:
        self._link.close()

    def enrol(self, enrolment: EnrolAgent) -> AgentEnrolled:
        answer = self._send("POST", "/agents", msgspec.json.encode(enrolment))
        return self._decoded(answer, AgentEnrolled)

    def report(self, agent_id: UUID, report: AgentReport) -> None:
        self._send("PUT", f"/agents/{agent_id}/report", msgspec.json.encode(report))

    def renew_token(self, agent_id: UUID) -> str:
        """A further token for this agent; the present one stays good until the new one was used."""
        return self._decoded(self._send("POST", f"/agents/{agent_id}/token"), AgentToken).token

    def keys(self) -> JwkSet:
        return self._decoded(self._send("GET", "/keys"), JwkSet)

    def pull(self, path: str, etag: str | None = None) -> Pulled:
        answer = self._send(
            "GET", path, headers={"If-None-Match": etag} if etag else {}, answer_size=DOCUMENT
        )
        if answer.status == 304:
            return Pulled(None, etag)
        return Pulled(answer.data, answer.headers.get("etag"))

    def prepare_card(self, card_id: UUID, body: bytes) -> None:
        self._send("PUT", f"/cards/{card_id}", body)

    def state(self, statement: StatementIn) -> None:
        path = f"/inspections/{statement.inspection_id}/statements"
        self._send("POST", path, msgspec.json.encode(statement), answer_size=DOCUMENT)

    def open_return(self, return_id: UUID, body: bytes) -> RecordedReturn:
        answer = self._send("PUT", f"/card-returns/{return_id}", body)
        return self._decoded(answer, RecordedReturn)

    def read_return(self, return_id: UUID) -> RecordedReturn:
        """A card return as recorded; longer by each refused statement."""
        answer = self._send("GET", f"/card-returns/{return_id}", answer_size=TICKETS)
        return self._decoded(answer, RecordedReturn)

    def put_part(self, return_id: UUID, part: int, body: bytes) -> PartAnswer:
        answer = self._send("PUT", f"/card-returns/{return_id}/parts/{part}", body, answer_size=TICKETS)
        return self._decoded(answer, PartAnswer)

    def check_part(self, return_id: UUID, part: int) -> PartAnswer:
        """Have the service look at the store for the objects of a part that it has."""
        path = f"/card-returns/{return_id}/parts/{part}/check"
        return self._decoded(self._send("POST", path, answer_size=TICKETS), PartAnswer)

    def put_large(self, return_id: UUID, digest: str, parts: LargeParts) -> LargeAnswer:
        """Open, go on with, or ask after a large file."""
        path, body = f"/card-returns/{return_id}/large/{digest}", msgspec.json.encode(parts)
        return self._decoded(self._send("PUT", path, body, answer_size=TICKETS), LargeAnswer)

    def put_ahead(self, return_id: UUID, ahead: FilesAhead) -> PartAnswer:
        """Tickets for what the store lacks of these files, whose manifest part comes later."""
        path, body = f"/card-returns/{return_id}/ahead", msgspec.json.encode(ahead)
        return self._decoded(self._send("PUT", path, body, answer_size=TICKETS), PartAnswer)

    def known_returns(self, returns: list[tuple[UUID, str]]) -> set[UUID]:
        """Which of these (1,000 at most: id and manifest digest) the service knows as committed."""
        asked = ReturnsAsked(returns=[ReturnAsked(id=key, manifest_sha256=digest) for key, digest in returns])
        answer = self._send("POST", "/card-returns/known", msgspec.json.encode(asked), answer_size=TICKETS)
        return set(self._decoded(answer, ReturnsKnown).known)

    def held(self, digests: list[str]) -> list[str]:
        """Which of these (1,000 at most) the service holds."""
        answer = self._send("POST", "/images/held", msgspec.json.encode(ImagesAsked(digests=digests)))
        return self._decoded(answer, ImagesHeld).held

    def commit(self, return_id: UUID, commit: CardReturnCommit) -> bytes | None:
        """The receipt as answered; None while the service is still at it: commit again."""
        path, body = f"/card-returns/{return_id}/commit", msgspec.json.encode(commit)
        # Well before the link would be taken for dead (RFC 7240).
        prefer = {"Prefer": f"respond-async, wait={int(self._link.silence / 2)}"}
        answer = self._send("POST", path, body, prefer, answer_size=RECEIPT_LINE * commit.files)
        if answer.status == ACCEPTED:
            return None
        return answer.data

    def _send(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        headers: dict[str, str] | None = None,
        answer_size: int = 0,
    ) -> Answer:
        url, sent = f"{self.url}{BASE}{path}", now()
        named = {**self._headers, **(headers or {})}
        if body is not None:
            named["Content-Type"] = "application/json"
            # The service unpacks what comes with a card, and nothing else.
            if len(body) > WORTH_PACKING and path.startswith("/card"):
                body, named["Content-Encoding"] = gzip.compress(body, 1, mtime=0), "gzip"
        elif method == "POST":
            named["Content-Length"] = "0"
        try:
            answer = self._once_more(method, url, body, named, answer_size)
        except Failure as error:
            raise link_down(error, url) from error
        self._note_clock(answer, sent)
        return checked(answer, url)

    def _decoded(self, answer: Answer, kind: type[Kind]) -> Kind:
        return self.understood(answer.data, kind)

    def understood(self, body: bytes, kind: type[Kind]) -> Kind:
        """A body; one that is not what the service answers was cut short, or made by something between."""
        try:
            return msgspec.json.decode(body, type=kind)
        except msgspec.DecodeError as error:
            raise cannot_serve(f"its answer cannot be read ({error}).", self.url) from error

    def _once_more(
        self, method: str, url: str, body: bytes | None, headers: dict[str, str], answer_size: int
    ) -> Answer:
        def send() -> Answer:
            stream = None if body is None else Stream(io.BytesIO(body), len(body), self._traffic)
            return self._link.send(method, url, stream, headers, answer_size)

        begun = steady()
        try:
            return send()
        except Broken:
            # What broke after a long silence would only be silent again.
            if steady() - begun > self._link.silence / 2:
                raise
            return send()

    def _note_clock(self, answer: Answer, sent: datetime) -> None:
        """How far the service's clock is ahead of ours: shown to people, it orders nothing (I4)."""
        try:
            date: Any = parsedate_to_datetime(answer.headers["date"])
        except (KeyError, ValueError):
            return
        middle = sent + (now() - sent) / 2
        # The Date header is cut to the second: half of one is the best guess of what is missing.
        self.clock_offset = (date - middle).total_seconds() + 0.5

"""The service's routes that an agent uses."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from email.utils import parsedate_to_datetime
from typing import Any
from uuid import UUID

import httpx
import msgspec

from agent.client.http import checked, link_down, make_client
from agent.outbox.database import now
from service.contract.access import AgentEnrolled, AgentReport, EnrolAgent, JwkSet
from service.contract.cards import CardReturnCommit, PartAnswer, Receipt

BASE = "/api/v1"
JSON = {"Content-Type": "application/json"}
# A card of 50,000 files is looked at in the store and written in one transaction.
COMMIT_SECONDS = 600.0


@dataclass(frozen=True, slots=True)
class Pulled:
    """`body` None: what is cached under the ETag still holds."""

    body: bytes | None
    etag: str | None


class Service:
    """All methods raise LinkDown when the service cannot serve, Refused when it will not."""

    def __init__(self, url: str, token: str | None = None, timeout: float = 30.0) -> None:
        self.url = url.rstrip("/")
        headers = {"Authorization": f"Bearer {token}"} if token else {}
        self._client = make_client(self.url, timeout, connections=4, headers=headers)
        self._timeout = timeout
        self.clock_offset: float | None = None

    def close(self) -> None:
        self._client.close()

    def enrol(self, enrolment: EnrolAgent) -> AgentEnrolled:
        answer = self._send("POST", "/agents", msgspec.json.encode(enrolment))
        return msgspec.json.decode(answer.content, type=AgentEnrolled)

    def report(self, agent_id: UUID, report: AgentReport) -> None:
        self._send("PUT", f"/agents/{agent_id}/report", msgspec.json.encode(report))

    def keys(self) -> JwkSet:
        return msgspec.json.decode(self._send("GET", "/keys").content, type=JwkSet)

    def pull(self, path: str, etag: str | None = None) -> Pulled:
        answer = self._send("GET", path, headers={"If-None-Match": etag} if etag else {})
        if answer.status_code == 304:
            return Pulled(None, etag)
        return Pulled(answer.content, answer.headers.get("etag"))

    def prepare_card(self, card_id: UUID, body: bytes) -> None:
        self._send("PUT", f"/cards/{card_id}", body)

    def open_return(self, return_id: UUID, body: bytes) -> None:
        self._send("PUT", f"/card-returns/{return_id}", body)

    def put_part(self, return_id: UUID, part: int, body: bytes) -> PartAnswer:
        answer = self._send("PUT", f"/card-returns/{return_id}/parts/{part}", body)
        return msgspec.json.decode(answer.content, type=PartAnswer)

    def commit(self, return_id: UUID, commit: CardReturnCommit) -> tuple[Receipt, bytes]:
        """The receipt, and its bytes as answered."""
        path, body = f"/card-returns/{return_id}/commit", msgspec.json.encode(commit)
        answer = self._send("POST", path, body, timeout=max(self._timeout, COMMIT_SECONDS))
        return msgspec.json.decode(answer.content, type=Receipt), answer.content

    def _send(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        headers: dict[str, str] | None = None,
        timeout: float | None = None,
    ) -> httpx.Response:
        sent = now()
        try:
            answer = self._client.request(
                method,
                f"{self.url}{BASE}{path}",
                content=body,
                headers={**(JSON if body else {}), **(headers or {})},
                timeout=timeout or self._timeout,
            )
        except httpx.TransportError as error:
            raise link_down(error, self.url) from error
        self._note_clock(answer, sent)
        return checked(answer)

    def _note_clock(self, answer: httpx.Response, sent: datetime) -> None:
        """How far the service's clock is ahead of ours: shown to people, it orders nothing (I4)."""
        try:
            date: Any = parsedate_to_datetime(answer.headers["date"])
        except (KeyError, ValueError):
            return
        middle = sent + (now() - sent) / 2
        # The Date header is cut to the second: half of one is the best guess of what is missing.
        self.clock_offset = (date - middle).total_seconds() + 0.5

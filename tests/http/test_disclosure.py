"""security.txt as RFC 9116 asks for it."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

from msgspec.structs import replace

from service.settings import Settings
from tests.http.problems import problem_of
from tests.live_service import Running, running_service

# RFC 9116 4: field = fs-name fs ":" SP value, each line ended by CRLF or LF.
FIELD = re.compile(r"([A-Za-z][A-Za-z-]*): ([!-~ ]+)")


def test_security_txt_names_the_contact_and_ends_within_a_year(
    service_settings: Settings, tmp_path: Path
) -> None:
    contact = "mailto:safety@example.org"
    with running_service(replace(service_settings, security_contact=contact), tmp_path) as service:
        answer = service.client().get("/.well-known/security.txt")
    assert (answer.status_code, answer.headers["Content-Type"]) == (200, "text/plain; charset=utf-8")
    matches = [FIELD.fullmatch(line) for line in answer.text.split("\r\n")[:-1]]
    fields = {match[1]: match[2] for match in matches if match}
    assert len(fields) == len(matches)
    assert (fields["Contact"], fields["Canonical"]) == (contact, str(answer.url))
    left = datetime.fromisoformat(fields["Expires"]) - datetime.now(UTC)
    assert timedelta(days=30) < left < timedelta(days=365)


def test_without_a_contact_there_is_none(service: Running) -> None:
    problem_of(service.client().get("/.well-known/security.txt"), 404)

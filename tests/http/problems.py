"""A problem detail is looked at as RFC 9457 describes it."""

from __future__ import annotations

from typing import Any

import httpx

# RFC 9457 3.1: the members and their JSON types; the last three are extension members (3.2).
MEMBERS: dict[str, type] = {
    "type": str,
    "title": str,
    "status": int,
    "detail": str,
    "instance": str,
    "consequence": str,
    "nextStep": str,
    "errors": list,
}


def problem_of(answer: httpx.Response, status: int) -> dict[str, Any]:
    assert answer.status_code == status, answer.text
    assert answer.headers["Content-Type"] == "application/problem+json"
    problem: dict[str, Any] = answer.json()
    assert problem.keys() <= MEMBERS.keys()
    assert {"type", "title", "status", "detail", "instance"} <= problem.keys()
    for member, value in problem.items():
        assert isinstance(value, MEMBERS[member]), member
    assert problem["status"] == status
    assert problem["instance"] == answer.request.url.path
    return problem

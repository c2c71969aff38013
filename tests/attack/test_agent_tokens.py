"""A workstation's token that was copied is good for a time, not for ever; and no change of it makes a gap.

OWASP ASVS 5.0 V13.3.4 (from memory): secrets of machines end and are exchanged; CWE-613, CWE-324.
"""

from __future__ import annotations

import os
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from agent.running.runner import RENEW_AFTER, Runner
from agent.settings import State
from service.access.actions.tokens import LAST_DAYS, hash_of
from service.contract.wire import new_id
from tests.agent.sites import Site, make_site
from tests.http.problems import problem_of
from tests.live_service import Running, execute

ME = "/api/v1/callers/me"


@pytest.fixture
def site(service: Running, database_url: str, tmp_path: Path) -> Site:
    return make_site(service, database_url, tmp_path)


def end_of(service: Running, token: str) -> datetime | None:
    rows = execute(service.settings, "SELECT expires_at FROM tokens WHERE token_hash = %s", hash_of(token))
    end: datetime | None = rows[0][0]
    return end


def test_a_copied_token_ends_after_its_workstation_used_a_newer_one(service: Running) -> None:
    enrolled = service.enrol(f"S{new_id().hex[-8:]}")
    old, path = service.client(enrolled.token), f"/api/v1/agents/{enrolled.id}/token"
    first_end, now = end_of(service, enrolled.token), datetime.now(UTC)
    assert first_end is not None
    assert first_end - now > timedelta(days=300)
    lost, kept = (old.post(path).json()["token"] for _ in range(2))
    # No answer was used yet: whichever was lost, the old one is good.
    assert old.get(ME).status_code == 200
    assert end_of(service, enrolled.token) == first_end
    new = service.client(kept)
    assert {client.get(ME).status_code for client in (new, old)} == {200}
    for token in (enrolled.token, lost):
        end = end_of(service, token)
        assert end is not None
        assert abs(end - now - timedelta(days=LAST_DAYS)) < timedelta(minutes=5)
    ended = "UPDATE tokens SET expires_at = %s WHERE token_hash = %s"
    execute(service.settings, ended, now - timedelta(seconds=1), hash_of(enrolled.token))
    assert (old.get(ME).status_code, new.get(ME).status_code) == (401, 200)
    service.client_for(["administrator"]).delete(f"/api/v1/agents/{enrolled.id}")
    assert {client.get(ME).status_code for client in (new, service.client(lost))} == {401}


def test_nobody_else_gets_a_token_of_a_workstation(service: Running) -> None:
    enrolled = service.enrol(f"S{new_id().hex[-8:]}")
    path = f"/api/v1/agents/{enrolled.id}/token"
    for other in (service.agent_client("TOK"), service.client_for(["administrator"])):
        problem_of(other.post(path), 403)
    problem_of(service.client().post(path), 401)


def test_a_workstation_renews_its_token_by_itself(site: Site) -> None:
    state = State(site.state.folder)
    before, long_ago = state.token(), time.time() - RENEW_AFTER - 60
    Runner(state, print).once()
    assert state.token() == before
    os.utime(state.folder / "token", (long_ago, long_ago))
    Runner(state, print).once()
    after = state.token()
    assert after != before
    # Used for the first time by the next pass over the link.
    assert site.service.client(before).get(ME).status_code == 200
    assert state.token_age() < 60
    assert Runner(state, print).once() == []

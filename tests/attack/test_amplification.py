"""Somebody who is not signed in costs the service little: by what is sent, how slowly, and how often.

OWASP ASVS 5.0 V4.1 and V15.1 (from memory): resource-demanding work is bounded; CWE-409: a small packed body
that unpacks to much; CWE-400 and CWE-770: resources without a limit.
"""

from __future__ import annotations

import gzip
import re
import select
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import anyio
import httpx
import pytest

from service import bodies
from service.commands.serving import HEAD_MS
from service.contract.wire import new_id
from service.http import framed
from service.settings import Settings
from tests.attack.strain import honest_requests, memory_of
from tests.http.problems import problem_of
from tests.live_service import ROOT, Running, running_service

OPEN_ROUTES = ["/api/v1/sessions", "/api/v1/agents", "/sign-in"]
OWN_PAGE = {"Sec-Fetch-Site": "same-origin"}


@pytest.fixture(scope="module")
def attacked(service_settings: Settings, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running_service(service_settings, tmp_path_factory.mktemp("attacked")) as running:
        yield running


def connected(service: Running) -> socket.socket:
    parts = urlsplit(service.url)
    return socket.create_connection((parts.hostname or "", parts.port or 80), timeout=30)


def head_of(path: str, size: int, *more: str) -> bytes:
    lines = [f"POST {path} HTTP/1.1", "Host: 127.0.0.1", f"Content-Length: {size}", *more]
    return "\r\n".join([*lines, "Content-Type: application/json", "", ""]).encode()


@pytest.mark.skipif(sys.platform != "linux", reason="memory is read from /proc")
def test_packed_bodies_of_nobody_take_no_memory_and_hold_nobody_up(attacked: Running) -> None:
    headers = {"Content-Type": "application/json", "Content-Encoding": "gzip"}
    answers: list[httpx.Response] = []

    # One login, so that most are turned away after the body was unpacked.
    packed = gzip.compress(b'{"login": "nobody", "password": "guessed"' + b" " * 9_900_000 + b"}", 9)
    assert len(packed) < 10_000

    def send() -> None:
        with httpx.Client(base_url=attacked.url, timeout=120) as client:
            answers.append(client.post(OPEN_ROUTES[0], content=packed, headers=headers))

    before = memory_of(attacked)
    with honest_requests(attacked) as strain:
        senders = [threading.Thread(target=send) for _ in range(100)]
        for sender in senders:
            sender.start()
        for sender in senders:
            sender.join()
    print(f"honest requests waited {strain.longest:.2f} s, {before:.0f} -> {memory_of(attacked):.0f} MB")
    assert {answer.status_code for answer in answers} == {415}
    assert memory_of(attacked) - before < 50
    assert strain.longest < 5


@pytest.mark.parametrize("path", OPEN_ROUTES)
def test_nobody_sends_more_than_16_kilobytes(attacked: Running, path: str) -> None:
    client = attacked.client()
    for body in (b" " * 16_385, iter([b" " * 9_000] * 2)):
        problem_of(client.post(path, content=body, headers=OWN_PAGE), 413)
    packed = client.post(path, content=gzip.compress(b"{}"), headers={**OWN_PAGE, "Content-Encoding": "gzip"})
    problem_of(packed, 415)


def test_a_person_sends_long_and_packed_bodies_only_where_they_are_meant(attacked: Running) -> None:
    client, json = attacked.client_for(["administrator"]), {"Content-Type": "application/json"}
    path = f"/api/v1/accounts/{new_id()}"
    problem_of(client.put(path, content=b" " * (bodies.BODY + 1), headers=json), 413)
    packed = {**json, "Content-Encoding": "gzip"}
    problem_of(client.put(path, content=gzip.compress(b"{}"), headers=packed), 415)
    # Read whole and found to be no JSON.
    problem_of(client.put("/api/v1/sites/XX/people", content=b" " * 1_900_000, headers=json), 400)
    problem_of(client.put(f"/api/v1/card-returns/{new_id()}/parts/1", content=b" " * 9_900_000), 400)


def test_what_does_not_come_in_time_is_refused_and_its_connection_closed(attacked: Running) -> None:
    """RFC 9110 15.5.9; CWE-400. A silent connection, half a head, half a body, and a refused body."""
    started = {
        "silent": b"",
        "half a head": b"POST /api/v1/sessions HTTP/1.1\r\nHost: x",
        "half a body": head_of("/api/v1/sessions", 200) + b"{",
        "refused": head_of("/api/v1/plan-checks", 9_000_000) + b"{",
    }
    begun, answered = time.monotonic(), {}
    with ExitStack() as stack:
        sockets = {name: stack.enter_context(connected(attacked)) for name in started}
        for name, data in started.items():
            sockets[name].sendall(data)
        for name, connection in sockets.items():
            answered[name] = _read_until_closed(connection, begun + 3 * HEAD_MS / 1000)
    assert time.monotonic() - begun < 2 * HEAD_MS / 1000
    assert answered["half a body"].startswith(b"HTTP/1.1 408")
    assert answered["refused"].startswith(b"HTTP/1.1 401")


def _read_until_closed(connection: socket.socket, deadline: float) -> bytes:
    data = b""
    while select.select([connection], [], [], max(0, deadline - time.monotonic()))[0]:
        try:
            piece = connection.recv(65536)
        except ConnectionResetError:
            return data
        if not piece:
            return data
        data += piece
    raise AssertionError(f"the connection is still open; it answered {data!r}")


def test_of_an_unwanted_body_of_nobody_little_is_read(attacked: Running) -> None:
    with connected(attacked) as connection:
        connection.sendall(head_of("/api/v1/plan-checks", 100_000_000))
        connection.sendall(b" " * (bodies.NOBODY_UNREAD + 1000))
        begun = time.monotonic()
        assert connection.recv(65536).startswith(b"HTTP/1.1 401")
        assert time.monotonic() - begun < bodies.UNREAD_SECONDS / 2


def test_a_thousand_slow_connections_keep_nobody_out(attacked: Running) -> None:
    """Half a head each. CWE-400: more than the server once admitted at all."""
    with ExitStack() as stack:
        for _ in range(1_100):
            connection = stack.enter_context(connected(attacked))
            connection.sendall(b"GET / HTTP/1.1\r\n")
        begun = time.monotonic()
        assert attacked.client().get("/health/live").status_code == 200
        assert time.monotonic() - begun < 5


async def _answered(known: bool, pauses: list[float]) -> int:
    """The status that an app answers which reads the whole body, whose pieces come after these seconds."""
    coming = iter(pauses)
    left = len(pauses)

    async def receive() -> Any:
        nonlocal left
        await anyio.sleep(next(coming))
        left -= 1
        return {"type": "http.request", "body": b"x", "more_body": left > 0}

    async def read(_scope: Any, receive: Callable[[], Any], send: Callable[[Any], Any]) -> None:
        status = 200
        try:
            while (await receive())["more_body"]:
                pass
        except Exception as error:
            status = error.status  # type: ignore[attr-defined]
        await send({"type": "http.response.start", "status": status, "headers": []})

    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    scope: Any = {"type": "http", "headers": [(b"content-length", b"99")], "state": {}}
    scope["user"] = object() if known else None
    await framed(read, https=False)(scope, receive, send)
    if sent[0]["status"] == 408:
        assert (b"connection", b"close") in sent[0]["headers"]
    return int(sent[0]["status"])


@pytest.mark.anyio
async def test_a_slow_link_is_borne_with_from_those_who_are_known_and_a_stop_from_nobody(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(bodies, "NOBODY_SECONDS", 0.5)
    monkeypatch.setattr(bodies, "SILENT_SECONDS", 0.5)
    slow, stopped = [0.1] * 12, [0.1, 30.0]
    assert await _answered(True, slow) == 200
    assert await _answered(False, slow) == 408
    assert await _answered(True, stopped) == 408
    assert await _answered(False, stopped) == 408
    assert await _answered(False, [0.1] * 2) == 200


def test_two_kilobytes_a_second_are_enough_for_every_body_of_nobody() -> None:
    assert bodies.NOBODY_SENDS / 2_000 < bodies.NOBODY_SECONDS


def test_the_shipped_proxy_takes_as_much_as_the_service_and_no_more() -> None:
    conf = (ROOT / Path("deploy/proxy.conf")).read_text()
    places = dict(re.findall(r"location ([^{]+) \{(.*?)\n    \}", conf, re.DOTALL))
    [(pattern, signing_in)] = [(key, text) for key, text in places.items() if "sign-in" in key]
    assert all(re.search(pattern.removeprefix("~ "), path) for path in OPEN_ROUTES)
    assert f"client_max_body_size {bodies.NOBODY_SENDS // 1024}k;" in signing_in
    assert "limit_req zone=sign_in" in signing_in
    assert f"client_max_body_size {bodies.LONGEST_BODY // 1_000_000}m;" in places["/"]

"""A refusal that is given before the body has come reaches its caller, and the connection stays good.

RFC 9112 9.6: a server that closes while its client still sends risks that the client never reads the answer.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlsplit

import anyio
import pytest

from service import bodies, http
from tests.live_service import Running, token_of_person

HEAD = (
    "PUT /api/v1/sites/XX HTTP/1.1\r\nHost: {}\r\nContent-Type: application/json\r\n"
    "Content-Length: {}\r\n{}\r\n"
)
TOKEN = "Authorization: Bearer {}\r\n"


@pytest.fixture
def connection(service: Running) -> Iterator[socket.socket]:
    parts = urlsplit(service.url)
    with socket.create_connection((parts.hostname or "", parts.port or 80), timeout=30) as made:
        yield made


def send_head(connection: socket.socket, size: int, more: str = "") -> None:
    host, port = connection.getpeername()[:2]
    connection.sendall(HEAD.format(f"{host}:{port}", size, more).encode())


def read_answer(connection: socket.socket) -> tuple[int, dict[str, str]]:
    """Status and headers of one answer, its body read as well."""
    data = b""
    while b"\r\n\r\n" not in data:
        data += received(connection)
    head, _, body = data.partition(b"\r\n\r\n")
    lines = head.decode().split("\r\n")
    headers = {name.lower(): value.strip() for name, _, value in (line.partition(":") for line in lines[1:])}
    while len(body) < int(headers["content-length"]):
        body += received(connection)
    return int(lines[0].split()[1]), headers


def received(connection: socket.socket) -> bytes:
    piece = connection.recv(65536)
    assert piece, "the connection was closed before the answer was whole"
    return piece


@pytest.mark.parametrize(
    ("size", "known", "status"), [(2, False, 401), (200_000, False, 401), (5_000_000, True, 413)]
)
def test_a_refusal_before_the_body_came_is_read_and_the_connection_goes_on(
    service: Running, connection: socket.socket, size: int, known: bool, status: int
) -> None:
    token = token_of_person(service.settings, ["auditor"])[1]
    send_head(connection, size, TOKEN.format(token) if known else "")
    # As a client on a busy machine or a slow link: the head is there long before the body.
    time.sleep(0.3)
    connection.sendall(b"{" + b" " * (size - 2) + b"}")
    assert read_answer(connection)[0] == status
    host, port = connection.getpeername()[:2]
    connection.sendall(f"GET /health/live HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode())
    assert read_answer(connection)[0] == 200


def test_of_a_body_without_end_no_more_is_read_than_any_may_have(
    service: Running, connection: socket.socket
) -> None:
    token = token_of_person(service.settings, ["auditor"])[1]
    send_head(connection, 100_000_000, TOKEN.format(token))
    connection.sendall(b" " * (bodies.UNREAD + 1000))
    status, headers = read_answer(connection)
    assert (status, headers["connection"]) == (413, "close")


def test_a_caller_who_waits_to_be_asked_for_the_body_is_refused_at_once(connection: socket.socket) -> None:
    send_head(connection, 5_000_000, "Expect: 100-continue\r\n")
    status, headers = read_answer(connection)
    assert (status, headers["connection"]) == (401, "close")


@pytest.mark.anyio
async def test_a_body_that_does_not_come_is_not_waited_for_long(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bodies, "UNREAD_SECONDS", 0.05)

    async def refuse(_scope: Any, _receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 401, "headers": []})

    async def never() -> Any:
        await anyio.sleep_forever()

    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    scope: Any = {"type": "http", "headers": [(b"content-length", b"5")], "state": {}}
    await http.framed(refuse, https=False)(scope, never, send)
    assert (b"connection", b"close") in sent[0]["headers"]

"""How many files go at once, how long a dribble is borne, and what an hour's plan leaves of a rate."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.client.connection import SLEPT, Failure
from agent.client.http import IDLE, Link
from agent.client.traffic import FAST, Lanes
from tests.link.proxy import Proxy


def lanes_after(seconds: float, size: int, rate: float, way: float, most: int = 4) -> dict[int, float]:
    """Seconds spent with each number of lanes, on a link of `rate` bytes per second on which every file waits
    `way` seconds beside its bytes."""
    at = [0.0]
    lanes, spent = Lanes(most, lambda: at[0]), dict.fromkeys(range(1, most + 1), 0.0)
    while at[0] < seconds:
        allowed = lanes.allowed
        # So many files go side by side: each gets its share of the rate.
        took = way + size * allowed / rate
        at[0] += took
        spent[allowed] += took
        for _ in range(allowed):
            lanes.sent(size, took)
    return spent


@settings(deadline=None)
@given(st.integers(8_000, 48_000), st.integers(40_000, 120_000), st.floats(0.0, 0.8))
def test_p22_on_a_slow_link_files_go_one_by_one(rate: int, size: int, way: float) -> None:
    spent = lanes_after(3600, size, rate, way)
    assert spent[1] >= 0.8 * sum(spent.values())


@settings(deadline=None)
@given(st.integers(20_000, 60_000), st.floats(1.0, 2.0))
def test_on_a_link_that_is_only_far_away_all_lanes_are_used(size: int, way: float) -> None:
    spent = lanes_after(3600, size, 2_000_000, way)
    assert spent[4] + spent[3] >= 0.8 * sum(spent.values())


def test_on_a_fast_link_all_lanes_are_used_after_the_first_file() -> None:
    lanes = Lanes(4)
    assert lanes.allowed == 1
    lanes.sent(300_000, 300_000 / FAST)
    assert lanes.allowed == 4


def test_no_more_files_go_at_once_than_there_are_lanes() -> None:
    lanes, going, most = Lanes(4), [0], [0]
    guard = threading.Lock()

    def go() -> None:
        with lanes:
            with guard:
                going[0] += 1
                most[0] = max(most[0], going[0])
            time.sleep(0.01)
            with guard:
                going[0] -= 1

    threads = [threading.Thread(target=go) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(10)
    assert most == [1]


def serve_slowly(listener: socket.socket, answer: bytes) -> None:
    """One connection: read the head, then one byte of the answer every tenth of a second."""
    connection, _ = listener.accept()
    with connection:
        connection.recv(65536)
        for byte in answer:
            try:
                connection.sendall(bytes([byte]))
            except OSError:
                return
            time.sleep(0.1)


def test_p21_an_answer_that_dribbles_is_cut_although_it_is_never_silent() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        answer = b"HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\n" + b"x" * 1000
        server = threading.Thread(target=serve_slowly, args=(listener, answer), daemon=True)
        server.start()
        link = Link(f"http://127.0.0.1:{listener.getsockname()[1]}", timeout=1.0, connections=1)
        begun = time.monotonic()
        with pytest.raises(Failure):
            link.send("GET", f"{link.origin}/")
        # Twice the silence that is allowed, and the second in which nobody looked.
        assert time.monotonic() - begun < 4.5
        link.close()
        server.join(10)


def test_the_head_of_a_request_says_no_more_than_it_must() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener, ThreadPoolExecutor(1) as server:

        def serve() -> bytes:
            connection, _ = listener.accept()
            with connection:
                head = connection.recv(65536)
                connection.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n")
            return head

        heard = server.submit(serve)
        link = Link(f"http://127.0.0.1:{listener.getsockname()[1]}", timeout=5.0, connections=1)
        link.send("PUT", f"{link.origin}/x")
        head = heard.result(10)
        link.close()
    assert b"\r\nUser-Agent: sightledger-agent\r\n" in head
    assert len(head) < 120


def test_a_person_may_interrupt_a_request_that_waits() -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        url = f"http://127.0.0.1:{silent.getsockname()[1]}"
        # A runner in the background may have interrupts ignored, and its children with it.
        heed = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
        wait = f"{heed}; from agent.client.http import Link; Link({url!r}, 30.0, 1).send('GET', {url!r})"
        with subprocess.Popen([sys.executable, "-c", wait], stderr=subprocess.PIPE, text=True) as waiting:
            connection, _ = silent.accept()
            with connection:
                assert connection.recv(10)
                waiting.send_signal(signal.SIGINT)
                _, said = waiting.communicate(timeout=10)
    assert waiting.returncode != 0
    assert "KeyboardInterrupt" in said.splitlines()[-1]


def test_p22_a_connection_that_was_reset_while_idle_is_not_used_again() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        done = threading.Event()

        def serve() -> None:
            while not done.is_set():
                connection, _ = server.accept()
                with connection, suppress(ConnectionError):
                    while connection.recv(65536):
                        connection.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n")

        threading.Thread(target=serve, daemon=True).start()
        with Proxy(f"127.0.0.1:{server.getsockname()[1]}") as proxy:
            link = Link(proxy.url, timeout=1.0, connections=1)
            for _ in range(3):
                assert link.send("GET", f"{proxy.url}/").status == 200
                proxy.reset_all()
            assert proxy.connections == 3
            link.close()
            done.set()


def test_p24_no_connection_outlives_a_sleep() -> None:
    assert IDLE < SLEPT

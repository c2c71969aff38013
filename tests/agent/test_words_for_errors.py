"""What a library or the system says of a fault stands in brackets behind a sentence of ours, never alone."""

from __future__ import annotations

import ast
import errno
import re
import socket
import threading
from collections.abc import Iterator
from contextlib import closing
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from agent.client.service import Service
from agent.errors import LinkDown, why
from agent.sync.pull import pull
from deploy.embedded.ports import free_port
from tests.agent.station import SITE, Bench

AGENT = Path(__file__).parents[2] / "agent"
# Caught and said by ourselves: settings held against bounds that say in words what they admit.
OWN = {"agent/settings.py": "it must be {error}"}


def f_strings() -> Iterator[tuple[str, str]]:
    """Each f-string of the agent, with its file."""
    for path in sorted(AGENT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.JoinedStr):
                yield f"agent/{path.relative_to(AGENT).as_posix()}", ast.unparse(node)


def test_what_a_library_says_stands_in_brackets() -> None:
    of_library = re.compile(r"\{(type\(error\)\.__name__|error(\.strerror[^}]*)?)\}")
    in_brackets = re.compile(rf"[\w}}] \({of_library.pattern}(: {of_library.pattern})?\)")
    bracketed = [place for place, text in f_strings() if in_brackets.search(text)]
    bare = [(place, text) for place, text in f_strings() if of_library.search(in_brackets.sub("", text))]
    assert len(bracketed) > 5
    assert [place for place, text in bare if OWN.get(place, "-") not in text] == []


@pytest.mark.parametrize("code", sorted(errno.errorcode))
def test_whatever_the_system_refuses_is_said_in_words_of_ours(code: int) -> None:
    error = OSError(code, "System text")
    assert re.fullmatch(r"[a-z][a-z ]+[a-z] \(System text\)", why(error))


def test_an_error_without_a_number_or_a_text_is_said_as_well() -> None:
    assert why(OSError("only a text")) == "the system refused it (OSError)"
    assert why(TimeoutError()) == "the system refused it (TimeoutError)"


UNREACHED = {
    "http://127.0.0.1:{port}": "nobody answers there (",
    "http://no-such-host.invalid": "this network does not know its name (",
    "https://127.0.0.1:{plain}": "no secure connection came about (",
}


@pytest.mark.parametrize("url", UNREACHED)
def test_a_link_that_fails_says_why(url: str, portal: str) -> None:
    address = url.format(port=free_port(), plain=portal.rpartition(":")[2])
    with closing(Service(address, "token", timeout=5)) as service, pytest.raises(LinkDown) as down:
        service.keys()
    assert f"cannot be reached: {UNREACHED[url]}" in down.value.detail
    assert down.value.detail.endswith(").")


def test_a_connection_that_breaks_says_so() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:

        def hang_up() -> None:
            for _ in range(2):
                server.accept()[0].close()

        answering = threading.Thread(target=hang_up)
        answering.start()
        url = f"http://127.0.0.1:{server.getsockname()[1]}"
        with closing(Service(url, "token", timeout=5)) as service, pytest.raises(LinkDown) as down:
            service.keys()
        answering.join()
    assert re.search(r"cannot be reached: the connection broke \(.+\)\.$", down.value.detail)


class Portal(BaseHTTPRequestHandler):
    """A page in the place of every answer, as networks with a sign-in page give it."""

    def do_GET(self) -> None:
        page = b"<html>Welcome to the site's guest network</html>"
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.send_header("Content-Length", str(len(page)))
        self.end_headers()
        self.wfile.write(page)

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def portal() -> Iterator[str]:
    with HTTPServer(("127.0.0.1", 0), Portal) as server:
        serving = threading.Thread(target=server.serve_forever)
        serving.start()
        yield f"http://127.0.0.1:{server.server_port}"
        server.shutdown()
        serving.join()


def test_a_sign_in_page_in_the_place_of_the_worklist_leaves_the_one_held(bench: Bench, portal: str) -> None:
    """Outside the service's word: kept, it would have stopped every command of the workstation."""
    before = bench.station.cache.worklist()
    with closing(Service(portal, "token", timeout=5)) as service, pytest.raises(LinkDown) as down:
        pull(bench.station.cache, service, SITE)
    assert re.search(r"cannot serve now: its answer cannot be read \(.+\)\.$", down.value.detail)
    assert bench.station.cache.worklist() == before

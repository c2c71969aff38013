"""A forward proxy of the tests' own: takes `GET http://name/path` and asks the server that `names` says.

Names need not exist anywhere else, so a test can prove that a request went through here.
"""

from __future__ import annotations

import http.client
import threading
from collections.abc import Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from urllib.parse import urlsplit

HOP_BY_HOP = {"connection", "proxy-connection", "proxy-authorization", "keep-alive", "transfer-encoding"}


class ForwardProxy:
    """`names` maps `host` or `host:port` as asked for to the address of a server; `asked` lists requests."""

    def __init__(self, names: Mapping[str, str]) -> None:
        self.asked: list[tuple[str, str]] = []
        self.authorizations: list[str | None] = []
        forward = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do(self) -> None:
                parts = urlsplit(self.path)
                forward.asked.append((self.command, parts.netloc))
                forward.authorizations.append(self.headers.get("Proxy-Authorization"))
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                target = urlsplit(names[parts.netloc])
                far = http.client.HTTPConnection(target.hostname or "", target.port or 80, timeout=30)
                # The name that was asked for stays: it is what a presigned address is signed for.
                headers = {k: v for k, v in self.headers.items() if k.lower() not in HOP_BY_HOP}
                path = parts.path + (f"?{parts.query}" if parts.query else "")
                far.request(self.command, path, body=body or None, headers=headers)
                answer = far.getresponse()
                data = answer.read()
                far.close()
                self.send_response(answer.status)
                for name, value in answer.getheaders():
                    if name.lower() not in HOP_BY_HOP | {"content-length", "date", "server"}:
                        self.send_header(name, value)
                self.send_header("Content-Length", str(len(data)))
                self.end_headers()
                self.wfile.write(data)

            do_GET = do_PUT = do_POST = do_HEAD = do

            def log_message(self, format: str, *args: object) -> None:
                return

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.address = f"127.0.0.1:{self._server.server_port}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)

    def __enter__(self) -> ForwardProxy:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)

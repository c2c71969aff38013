"""This module is an OpenID provider on loopback that says whatever a test wants it to say."""

from __future__ import annotations

import json
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs

from joserfc import jwt
from joserfc.jwk import RSAKey

from deploy.embedded.ports import free_port

CLIENT_ID = "sightledger-attacked"
SECRET = "a-secret-of-the-tests-that-is-long-enough"


class LyingProvider:
    """`metadata`, `keys` and `userinfo` are what it tells; `tokens` is what it gives for each code, once."""

    def __init__(self, port: int) -> None:
        self.issuer = f"http://localhost:{port}"
        self.key = RSAKey.generate_key(2048, {"kid": "first", "use": "sig"}, private=True)
        self.asked: Counter[str] = Counter()
        self.sent: list[dict[str, list[str]]] = []
        self.be_honest()

    def be_honest(self) -> None:
        self.metadata: dict[str, Any] = {
            "issuer": self.issuer,
            "authorization_endpoint": f"{self.issuer}/authorize",
            "token_endpoint": f"{self.issuer}/token",
            "jwks_uri": f"{self.issuer}/keys",
            "userinfo_endpoint": f"{self.issuer}/userinfo",
            "end_session_endpoint": f"{self.issuer}/end",
            # What it announces must not open what the service does not accept.
            "id_token_signing_alg_values_supported": ["RS256", "HS256", "none"],
            "authorization_response_iss_parameter_supported": True,
        }
        self.keys: list[Any] = [self.key.as_dict(private=False)]
        self.userinfo: dict[str, Any] = {}
        self.tokens: dict[str, Any] = {}
        self.redirect: str | None = None
        self.drip = False
        self.asked.clear()
        self.sent.clear()

    def claims(self, nonce: str, /, **more: Any) -> dict[str, Any]:
        """The claims of an honest id_token; a claim that is None is left out."""
        now = int(time.time())
        usual = {
            "iss": self.issuer,
            "sub": "subject-1",
            "aud": CLIENT_ID,
            "exp": now + 300,
            "iat": now,
            "nonce": nonce,
            "name": "Lee Example",
            "groups": ["plant-inspectors", "everywhere"],
        }
        return {name: value for name, value in {**usual, **more}.items() if value is not None}

    def signed(self, claims: dict[str, Any], **header: Any) -> str:
        return jwt.encode({"alg": "RS256", "kid": "first", **header}, claims, self.key, ["RS256"])


def _handler(provider: LyingProvider) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def log_message(self, *_: object) -> None:
            """Nothing of it belongs into the output of the tests."""

        def do_GET(self) -> None:
            provider.asked[self.path] += 1
            known = {
                "/.well-known/openid-configuration": provider.metadata,
                "/keys": {"keys": provider.keys},
                "/userinfo": provider.userinfo,
            }
            self._answer(known.get(self.path))

        def do_POST(self) -> None:
            provider.asked[self.path] += 1
            sent = parse_qs(self.rfile.read(int(self.headers.get("Content-Length", "0"))).decode())
            provider.sent.append(sent)
            if provider.redirect is not None:
                self.send_response(307)
                self.send_header("Location", provider.redirect)
                self.end_headers()
                return
            given = provider.tokens.pop(sent.get("code", [""])[0], None)
            if given is None:
                self._answer({"error": "invalid_grant"}, 400)
            else:
                self._answer(given)

        def _answer(self, told: Any, status: int = 200) -> None:
            content = told if isinstance(told, bytes) else json.dumps(told).encode()
            self.send_response(404 if told is None else status)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            try:
                if provider.drip:
                    for byte in content:
                        self.wfile.write(bytes([byte]))
                        time.sleep(0.4)
                else:
                    self.wfile.write(content)
            except OSError:
                pass

    return Handler


@contextmanager
def lying_provider() -> Iterator[LyingProvider]:
    port = free_port()
    provider = LyingProvider(port)
    server = ThreadingHTTPServer(("127.0.0.1", port), _handler(provider))
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield provider
    finally:
        server.shutdown()
        server.server_close()
        thread.join()

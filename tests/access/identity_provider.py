"""This module runs a certified OpenID provider (the npm package oidc-provider) on loopback, where node is.

Its packages are fetched once, as tests/access/provider/package-lock.json pins them.
"""

from __future__ import annotations

import hashlib
import json
import re
import secrets
import shutil
import subprocess
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from html import unescape
from pathlib import Path
from typing import Any
from urllib.parse import urljoin

import httpx
import msgspec
import pytest
from filelock import FileLock
from joserfc.jwk import RSAKey

from deploy.embedded.ports import free_port
from deploy.embedded.processes import Child
from service.settings import Settings
from tests.live_service import Running, make_site, running_service

FOLDER = Path(__file__).parent / "provider"
CLIENT_ID, CLIENT_SECRET = "sightledger-of-the-tests", "secret of the tests: 100 % + more".replace(" ", "_")
START_SECONDS = 60
needs_node = pytest.mark.skipif(
    shutil.which("node") is None or shutil.which("npm") is None,
    reason="node or npm is absent; install the Debian packages nodejs and npm",
)

# Invented people: their subject at the provider, and what it tells of them.
PEOPLE: dict[str, dict[str, Any]] = {
    "mara": {"name": "Mara Example", "groups": ["plant-inspectors", "at-west"]},
    "otto": {"name": "Otto Example", "groups": ["quality", "everywhere"]},
    "nora": {"name": "Nora Example", "groups": ["canteen"]},
}
GROUPS = """
[roles]
plant-inspectors = ["inspector"]
leads = ["shift_lead", "inspector"]
quality = ["approver"]
office = ["administrator"]

[sites]
at-west = ["SSO-WEST"]
at-east = ["SSO-EAST"]
nowhere = ["SSO-NOT-BUILT"]
everywhere = ["*"]
"""


@dataclass
class RunningProvider:
    """A provider that answers at `issuer`; `localhost` makes it another site than the service's 127.0.0.1."""

    folder: Path
    service_url: str
    port: int
    child: Child | None = None
    in_id_token: bool = False
    client_key: Mapping[str, Any] | None = None
    starts: int = 0
    key: dict[str, Any] = field(default_factory=lambda: new_key())

    @property
    def issuer(self) -> str:
        return issuer_at(self.port)

    def start(self) -> None:
        """Starts it; it forgets who was signed in."""
        self.starts += 1
        order = {
            "port": self.port,
            "issuer": self.issuer,
            "people": str(self._people),
            "conformIdTokenClaims": not self.in_id_token,
            "clients": [self._client()],
            "key": self.key,
        }
        self.child = Child(
            ["node", FOLDER / "provider.mjs", json.dumps(order)],
            log=self.folder / f"provider-{self.port}-{self.starts}.log",
            folder=FOLDER,
        )
        deadline = time.monotonic() + START_SECONDS
        while "ready" not in self.child.said(5).splitlines():
            assert self.child.runs(), self.child.said(40)
            assert time.monotonic() < deadline, self.child.said(40)
            time.sleep(0.05)

    def stop(self) -> None:
        if self.child is not None:
            self.child.stop()

    def restart(self) -> None:
        self.stop()
        self.start()

    @property
    def _people(self) -> Path:
        return self.folder / f"people-{self.port}.json"

    def knows(self, subject: str, **told: Any) -> None:
        """From now on the provider tells this of a person; nothing: no groups."""
        people = json.loads(self._people.read_text()) if self._people.exists() else {}
        self._people.write_text(json.dumps({**people, subject: told}))

    def _client(self) -> dict[str, Any]:
        proof: dict[str, Any] = {"client_secret": CLIENT_SECRET}
        if self.client_key is not None:
            signing = {"token_endpoint_auth_method": "private_key_jwt"}
            proof = {**signing, "jwks": {"keys": [dict(self.client_key)]}}
        return {
            "client_id": CLIENT_ID,
            **proof,
            "redirect_uris": [f"{self.service_url}/sign-in/provider/answer"],
            "post_logout_redirect_uris": [f"{self.service_url}/sign-in"],
            "backchannel_logout_uri": f"{self.service_url}/sign-out/provider",
            "backchannel_logout_session_required": True,
        }


def new_key() -> dict[str, Any]:
    """A private RSA key under a name of its own, as JWK."""
    named = {"use": "sig", "alg": "RS256", "kid": secrets.token_hex(8)}
    return RSAKey.generate_key(2048, named, private=True).as_dict(private=True)  # type: ignore[return-value]


def issuer_at(port: int) -> str:
    return f"http://localhost:{port}"


def fetched_packages() -> None:
    """Fetches the provider's packages unless those of this lock file are there."""
    lock, mark = FOLDER / "package-lock.json", FOLDER / "node_modules" / ".fetched"
    wanted = hashlib.sha256(lock.read_bytes()).hexdigest()
    with FileLock(FOLDER / ".fetching.lock"):
        if mark.exists() and mark.read_text() == wanted:
            return
        done = subprocess.run(
            ["npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--prefer-offline"],
            cwd=FOLDER, capture_output=True, text=True, check=False, timeout=300,
        )  # fmt: skip
        assert done.returncode == 0, f"npm could not fetch the provider's packages:\n{done.stderr[-2000:]}"
        mark.write_text(wanted)


def with_provider(settings: Settings, folder: Path, issuer: str, **more: Any) -> Settings:
    """The same settings for a service where people sign in with this provider."""
    table = folder / "groups.toml"
    table.write_text(GROUPS, "utf-8")
    known: Mapping[str, Any] = {
        "sso_issuer": issuer,
        "sso_client_id": CLIENT_ID,
        "sso_client_secret": CLIENT_SECRET,
        "sso_scopes": "openid profile groups",
        "sso_groups_file": str(table),
    }
    return msgspec.structs.replace(settings, **{**known, **more})


@contextmanager
def running_provider(
    folder: Path, service_url: str, port: int, client_key: Mapping[str, Any] | None = None
) -> Iterator[RunningProvider]:
    """Yields a provider that knows the service at this address."""
    fetched_packages()
    provider = RunningProvider(folder, service_url, port, client_key=client_key)
    for subject, told in PEOPLE.items():
        provider.knows(subject, **told)
    provider.start()
    try:
        yield provider
    finally:
        provider.stop()


@contextmanager
def signed_on(settings: Settings, folder: Path) -> Iterator[tuple[Running, RunningProvider]]:
    """Yields a service and the provider with which people sign in to it; its two sites are there."""
    for code in ("SSO-WEST", "SSO-EAST"):
        make_site(settings, code)
    port = free_port()
    with (
        running_service(with_provider(settings, folder, issuer_at(port)), folder) as service,
        running_provider(folder, service.url, port) as provider,
    ):
        yield service, provider


FORM = re.compile(r'<form[^>]*action="([^"]+)"[^>]*>(.*?)</form>', re.DOTALL)
HIDDEN = re.compile(r'<input[^>]*type="hidden"[^>]*name="([^"]+)"[^>]*value="([^"]*)"')


def answered(client: httpx.Client, address: str, subject: str) -> httpx.URL:
    """Goes through the provider's pages as `subject` and returns the address to which it sends the browser
    back, without going there."""
    answer = client.get(address)
    for _ in range(12):
        if answer.is_redirect:
            onward = answer.url.join(answer.headers["location"])
            if onward.path == "/sign-in/provider/answer":
                return onward
            answer = client.get(onward)
            continue
        found = FORM.search(answer.text)
        assert found is not None, answer.text[:2000]
        fields = {name: unescape(value) for name, value in HIDDEN.findall(found[2])}
        if 'name="login"' in found[2]:
            fields |= {"login": subject, "password": "any"}
        answer = client.post(urljoin(str(answer.url), unescape(found[1])), data=fields)
    raise AssertionError("The provider leads round in a circle.")

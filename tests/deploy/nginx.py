"""Runs deploy/proxy.conf in the nginx of this machine, on loopback, before other addresses than its own."""

from __future__ import annotations

import datetime
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import httpx
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from deploy.embedded.ports import free_ports
from deploy.embedded.processes import Child

CONF = Path(__file__).parents[2] / "deploy/proxy.conf"
NGINX = shutil.which("nginx") or shutil.which("nginx", path="/usr/sbin")


@dataclass
class Proxy:
    """`log`: what it wrote of requests."""

    port: int
    log: Path

    def send(self, method: str, url: str, host: str | None = None, **more: object) -> httpx.Response:
        """A request for `url` (its path, query and, where none is given, host), sent to this proxy."""
        parts = urlsplit(url)
        named = host or parts.netloc
        headers = {**more.pop("headers", {}), "Host": named}  # type: ignore[dict-item]
        query = f"?{parts.query}" if parts.query else ""
        address = f"https://127.0.0.1:{self.port}{parts.path}{query}"
        with httpx.Client(verify=False, trust_env=False, timeout=30) as client:
            return client.request(method, address, headers=headers, **more)  # type: ignore[arg-type]


def free_port() -> int:
    return free_ports(1)[0]


@contextmanager
def running_proxy(folder: Path, service: str, store: str, port: int) -> Iterator[Proxy]:
    """nginx before a service and a store at these addresses (http://host:port)."""
    assert NGINX is not None
    folder.mkdir(exist_ok=True)
    _make_certificate(folder)
    log = folder / "access.log"
    text = CONF.read_text()
    for before, after in {
        "/etc/nginx/tls/": f"{folder}/",
        "listen 8443": f"listen 127.0.0.1:{port}",
        "/dev/stdout": str(log),
        "http://service:8000": service,
        "http://store:8333": store,
    }.items():
        assert before in text
        text = text.replace(before, after)
    if _version() < (1, 25, 1):
        text = text.replace("    http2 on;\n", "")
    kinds = ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    temporary = "".join(f"{kind}_temp_path {folder}/{kind};\n" for kind in kinds)
    user = "user root;\n" if os.getuid() == 0 else ""
    whole = f"{user}daemon off;\npid {folder}/pid;\nevents {{}}\nhttp {{\n{temporary}{text}}}\n"
    (folder / "nginx.conf").write_text(whole)
    child = Child(
        [NGINX, "-p", folder, "-e", folder / "error.log", "-c", folder / "nginx.conf"], log=folder / "out.log"
    )
    try:
        _wait(port, folder)
        yield Proxy(port, log)
    finally:
        child.stop()


def _wait(port: int, folder: Path) -> None:
    transport = httpx.HTTPTransport(retries=10, verify=False)
    with httpx.Client(transport=transport, timeout=10) as client:
        try:
            client.get(f"https://127.0.0.1:{port}/health/live")
        except httpx.HTTPError as error:
            told = "".join(path.read_text() for path in folder.glob("*.log"))
            raise AssertionError(f"nginx did not start: {told}") from error


def _version() -> tuple[int, ...]:
    assert NGINX is not None
    told = subprocess.run([NGINX, "-v"], capture_output=True, text=True, check=True).stderr
    return tuple(map(int, re.findall(r"\d+", told)[:3]))


def _make_certificate(folder: Path) -> None:
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "sightledger.example.org")])
    now = datetime.datetime.now(datetime.UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=1))
        .sign(key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    (folder / "fullchain.pem").write_bytes(certificate.public_bytes(pem))
    (folder / "key.pem").write_bytes(
        key.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )

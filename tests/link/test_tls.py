"""Whom the agent speaks to over TLS: only a server that this computer's own store of trust vouches for."""

from __future__ import annotations

import ipaddress
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID

from agent.client import connection
from agent.client.connection import Broken, Failure
from agent.client.http import Link

ANSWER = b"HTTP/1.1 200 Fine\r\nContent-Length: 2\r\nX-Said: a: b\r\n\r\nok"


def make_certificate(folder: Path, address: str) -> Path:
    """Key and certificate in one file, for a server at `address` that vouches for itself."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "invented works")])
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(address))]), critical=False
        )
        .sign(key, SHA256())
    )
    file = folder / f"{address}.pem"
    private = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    file.write_bytes(private + certificate.public_bytes(Encoding.PEM))
    return file


@contextmanager
def serving(certificate: Path) -> Iterator[str]:
    """A server on 127.0.0.1 that answers one request on each connection; its address."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate)
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve() -> None:
            while True:
                try:
                    plain, _ = listener.accept()
                except OSError:
                    return
                with suppress(OSError), context.wrap_socket(plain, server_side=True) as end:
                    end.recv(65536)
                    end.sendall(ANSWER)

        threading.Thread(target=serve, daemon=True).start()
        yield f"https://127.0.0.1:{listener.getsockname()[1]}"
        listener.shutdown(socket.SHUT_RDWR)


@pytest.fixture
def trusted(monkeypatch: pytest.MonkeyPatch) -> Iterator[pytest.MonkeyPatch]:
    connection._trusted.cache_clear()
    yield monkeypatch
    connection._trusted.cache_clear()


def test_a_server_that_this_computer_trusts_is_spoken_to(tmp_path: Path, trusted: pytest.MonkeyPatch) -> None:
    certificate = make_certificate(tmp_path, "127.0.0.1")
    trusted.setenv("SSL_CERT_FILE", str(certificate))
    with serving(certificate) as url:
        answer = Link(url, 5.0, 1).send("GET", f"{url}/")
    assert (answer.status, answer.reason, answer.data) == (200, "Fine", b"ok")
    assert answer.headers["x-said"] == "a: b"


def test_a_server_that_nobody_vouches_for_is_sent_nothing(tmp_path: Path) -> None:
    with serving(make_certificate(tmp_path, "127.0.0.1")) as url, pytest.raises(Failure) as refused:
        Link(url, 5.0, 1).send("GET", f"{url}/")
    # Asked again at once it would be refused again.
    assert not isinstance(refused.value, Broken)
    assert "certificate" in str(refused.value)


def test_a_trusted_certificate_of_another_address_does_not_do(
    tmp_path: Path, trusted: pytest.MonkeyPatch
) -> None:
    certificate = make_certificate(tmp_path, "127.0.0.9")
    trusted.setenv("SSL_CERT_FILE", str(certificate))
    with serving(certificate) as url, pytest.raises(Failure):
        Link(url, 5.0, 1).send("GET", f"{url}/")

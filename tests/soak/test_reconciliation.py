"""The reconciliation itself finds what it is there to find: receipts that are not what they should be."""

from __future__ import annotations

import base64
import json
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from tests.soak.cards import START, Card, Content, File
from tests.soak.reconciliation import receipt_faults

KEY, OTHER = Ed25519PrivateKey.generate(), Ed25519PrivateKey.generate()
CARD = Card(
    "CARD-0001",
    prepared=False,
    files=[
        File(b"01 A/TWVS0001.JPG", Content("still", 1), START),
        File(b"01 A/\xff.JPG", Content("cut", 2), START),
    ],
)


def encoded(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


def listed() -> list[dict[str, Any]]:
    return [
        {
            "path": name.decode("utf-8", "replace"),
            "pathBytes": base64.b64encode(name).decode(),
            "sha256": digest,
            "size": size,
        }
        for name, digest, size in sorted(CARD.listed())
    ]


def receipt(signer: Ed25519PrivateKey = KEY, **said: object) -> bytes:
    protected = encoded(json.dumps({"alg": "EdDSA", "kid": "k"}).encode())
    body = {"cardReturnId": "r", "complete": True, "files": listed(), **said}
    payload = encoded(json.dumps(body).encode())
    signature = encoded(signer.sign(f"{protected}.{payload}".encode()))
    return json.dumps({"payload": payload, "protected": protected, "signature": signature}).encode()


def faults(body: bytes | None, *, complete: bool = True) -> list[str]:
    return list(receipt_faults("r", complete, body, CARD, {"k": KEY.public_key()}))


def test_a_true_receipt_is_found_true() -> None:
    assert faults(receipt()) == []
    assert faults(receipt(complete=False, files=listed()[:1]), complete=False) == []


@pytest.mark.parametrize(
    ("body", "named"),
    [
        (None, "without a receipt"),
        (receipt(OTHER), "signature does not hold"),
        (receipt(cardReturnId="x"), "is of x"),
        (receipt(complete=False), "the receipt False"),
        (receipt(files=listed()[:1]), "1 lacking"),
        (receipt(files=[*listed(), {**listed()[0], "size": 7}]), "1 extra"),
    ],
)
def test_i6_each_false_receipt_is_named(body: bytes | None, named: str) -> None:
    [found] = faults(body)
    assert named in found


def test_i6_a_part_of_a_card_may_not_list_what_is_not_on_it() -> None:
    [found] = faults(receipt(complete=False, files=[{**listed()[0], "sha256": "0" * 64}]), complete=False)
    assert "not on the card" in found

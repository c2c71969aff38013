"""Receipts checked by whoever holds the service's public keys: flattened JWS over Ed25519."""

from __future__ import annotations

import base64
import binascii
import hashlib
from typing import Any

import msgspec
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from service.contract.access import Jwk, JwkSet
from service.contract.cards import Receipt


class SignatureRefused(Exception):
    """The receipt is not by one of the keys given, or not what was signed."""


def to_base64url(raw: bytes) -> str:
    """Base64url without padding (RFC 7515 2)."""
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode("ascii")


def from_base64url(text: str) -> bytes:
    """Raises SignatureRefused for anything but unpadded base64url."""
    try:
        raw = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError) as error:
        raise SignatureRefused("The receipt is not base64url.") from error
    if to_base64url(raw) != text:
        raise SignatureRefused("The receipt is not base64url.")
    return raw


def thumbprint(key: Jwk) -> str:
    """The RFC 7638 thumbprint of an OKP key, with the members of RFC 8037 2, in that order."""
    members = {"crv": key.crv, "kty": key.kty, "x": key.x}
    return to_base64url(hashlib.sha256(msgspec.json.encode(members)).digest())


def verify_receipt(receipt: Receipt, keys: JwkSet) -> bytes:
    """The payload of `receipt`; raises SignatureRefused unless one of `keys` signed exactly it."""
    key = _key_named_in(_header(receipt), keys)
    signed = f"{receipt.protected}.{receipt.payload}".encode()
    try:
        Ed25519PublicKey.from_public_bytes(from_base64url(key.x)).verify(
            from_base64url(receipt.signature), signed
        )
    except (InvalidSignature, ValueError) as error:
        raise SignatureRefused("The receipt's signature does not fit its content.") from error
    return from_base64url(receipt.payload)


def _header(receipt: Receipt) -> dict[str, Any]:
    try:
        return msgspec.json.decode(from_base64url(receipt.protected), type=dict[str, Any])
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise SignatureRefused("The receipt's header is not JSON.") from error


def _key_named_in(header: dict[str, Any], keys: JwkSet) -> Jwk:
    # RFC 7515 4.1.11: an extension marked critical that is not understood makes the JWS invalid.
    if header.get("alg") != "EdDSA" or "crit" in header:
        raise SignatureRefused("The receipt is not signed with EdDSA (RFC 8037).")
    for key in keys.keys:
        if key.kid == header.get("kid") and (key.kty, key.crv) == ("OKP", "Ed25519"):
            return key
    raise SignatureRefused(f"The receipt is signed by a key that is not known here: {header.get('kid')}.")

"""The service's Ed25519 key, with which it signs receipts (JWS, RFC 7515; EdDSA, RFC 8037)."""

from __future__ import annotations

import os
from pathlib import Path

import msgspec
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)
from joserfc.jwk import OKPKey
from joserfc.jws import HeaderDict, serialize_json

from service.contract.access import Jwk, JwkSet
from service.contract.cards import Receipt
from service.contract.signature import EDDSA
from service.settings import SettingError


class Signer:
    """Signs with one private key; `key_id` is its RFC 7638 thumbprint."""

    def __init__(self, key: Ed25519PrivateKey) -> None:
        self._key = OKPKey.import_key(key)
        self.key_id = self._key.thumbprint()
        self._public = msgspec.convert(self._key.as_dict(private=False, kid=self.key_id), Jwk)

    @classmethod
    def load(cls, path: Path) -> Signer:
        """The signer of a PKCS 8 PEM file; raises SettingError when there is no Ed25519 key in it."""
        try:
            key = load_pem_private_key(path.read_bytes(), password=None)
        except FileNotFoundError as error:
            raise SettingError(
                f"There is no receipt key at {path} (SIGHTLEDGER_RECEIPT_KEY_FILE). "
                f"Make one with `sightledger receipt-key {path}`."
            ) from error
        except (OSError, ValueError, TypeError) as error:
            raise SettingError(f"The receipt key {path} cannot be read: {error}") from error
        if not isinstance(key, Ed25519PrivateKey):
            raise SettingError(f"The receipt key {path} is no Ed25519 key.")
        return cls(key)

    def sign(self, payload: bytes) -> Receipt:
        """`payload` as a flattened JWS (RFC 7515 7.2.2)."""
        header: HeaderDict = {"protected": {"alg": "EdDSA", "kid": self.key_id}}
        return msgspec.convert(serialize_json(header, payload, self._key, registry=EDDSA), Receipt)

    def jwks(self) -> JwkSet:
        """The public key, for whoever checks receipts."""
        return JwkSet(keys=[self._public])


def create_key_file(path: Path) -> None:
    """Write a new private key that only its owner may read; raises FileExistsError, never overwrites."""
    pem = Ed25519PrivateKey.generate().private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        file.write(pem)
        file.flush()
        os.fsync(file.fileno())

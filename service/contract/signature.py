"""Receipts checked by whoever holds the service's public keys: flattened JWS over Ed25519.

Loading what checks them takes some 60 ms: a workstation imports this module with its first receipt.
"""

from __future__ import annotations

import sys

import msgspec
from joserfc.errors import BadSignatureError, JoseError
from joserfc.jwa import JWSAlgModel
from joserfc.jwk import OKPKey
from joserfc.jws import JWSRegistry, deserialize_json
from joserfc.registry import Header

from service.contract.access import JwkSet
from service.contract.cards import Receipt


class SignatureRefused(Exception):
    """The receipt is not by one of the keys given, or not what was signed."""


class _EdDSA(JWSRegistry):
    """EdDSA alone, over a payload of any length: a card of 50,000 files has 8 MB."""

    max_payload_length = sys.maxsize

    def check_header(self, header: Header) -> None:
        # RFC 7515 4.1.11: an extension marked critical that is not understood makes the JWS invalid.
        if header.get("alg") != "EdDSA" or "crit" in header:
            raise SignatureRefused("The receipt is not signed with EdDSA (RFC 8037).")
        super().check_header(header)

    def get_alg(self, name: str) -> JWSAlgModel:
        # The library's own method warns of the name, which RFC 9864 deprecates for one that tells the curve;
        # here every key is of Ed25519.
        return self.algorithms[name]


# RFC 7515 4: members of the header that are not understood are passed over.
EDDSA = _EdDSA(strict_check_header=False)


def verify_receipt(receipt: Receipt, keys: JwkSet) -> bytes:
    """The payload of `receipt`; raises SignatureRefused unless one of `keys` signed exactly it."""
    try:
        signed = deserialize_json(
            {"payload": receipt.payload, "protected": receipt.protected, "signature": receipt.signature},
            lambda member: _key_named(member.headers().get("kid"), keys),
            registry=EDDSA,
        )
    except BadSignatureError as error:
        raise SignatureRefused("The receipt's signature does not fit its content.") from error
    except (JoseError, TypeError, ValueError) as error:
        raise SignatureRefused("The receipt is no flattened JWS (RFC 7515 7.2.2).") from error
    return signed.payload


def _key_named(key_id: object, keys: JwkSet) -> OKPKey:
    for key in keys.keys:
        if key.kid == key_id and (key.kty, key.crv) == ("OKP", "Ed25519"):
            return OKPKey.import_key(msgspec.to_builtins(key))
    raise SignatureRefused(f"The receipt is signed by a key that is not known here: {key_id}.")

"""Receipts: RFC 8037's own vectors, and that nothing changed or foreign passes."""

from __future__ import annotations

import base64
import stat
from pathlib import Path

import msgspec
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given
from hypothesis import strategies as st

from service.contract.access import JwkSet
from service.contract.cards import Receipt
from service.contract.signature import SignatureRefused, verify_receipt
from service.settings import SettingError
from service.signing import Signer, create_key_file

# RFC 8037 appendix A.1 to A.4: private and public key, thumbprint, JWS.
RFC_D = "nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A"
RFC_X = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"
RFC_THUMBPRINT = "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"
RFC_PROTECTED = "eyJhbGciOiJFZERTQSJ9"
RFC_PAYLOAD = "RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc"
RFC_SIGNATURE = "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg"


def rfc_key() -> Ed25519PrivateKey:
    return Ed25519PrivateKey.from_private_bytes(base64.urlsafe_b64decode(RFC_D + "="))


def to_base64url(raw: bytes) -> str:
    """RFC 7515 2, apart from the code under test."""
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


def signed_as(protected: str, payload: str) -> Receipt:
    """A receipt whose parts the service's key signed as they stand."""
    signature = to_base64url(rfc_key().sign(f"{protected}.{payload}".encode()))
    return Receipt(payload=payload, protected=protected, signature=signature)


def test_rfc_8037_a3_thumbprint() -> None:
    assert Signer(rfc_key()).key_id == RFC_THUMBPRINT


def test_rfc_8037_a2_public_key() -> None:
    assert Signer(rfc_key()).jwks().keys[0].x == RFC_X


def test_rfc_8037_a4_signature_verifies() -> None:
    """The appendix' header names no key; a set that holds the key under no name fits it."""
    receipt = Receipt(payload=RFC_PAYLOAD, protected=RFC_PROTECTED, signature=RFC_SIGNATURE)
    signed = f"{RFC_PROTECTED}.{RFC_PAYLOAD}".encode()
    assert to_base64url(rfc_key().sign(signed)) == RFC_SIGNATURE
    with pytest.raises(SignatureRefused, match="not known"):
        verify_receipt(receipt, Signer(rfc_key()).jwks())


@given(st.binary(max_size=500))
def test_what_was_signed_is_read_back(payload: bytes) -> None:
    signer = Signer(rfc_key())
    assert verify_receipt(signer.sign(payload), signer.jwks()) == payload


@given(st.binary(min_size=1, max_size=100), st.data())
def test_a_change_of_any_character_is_refused(payload: bytes, data: st.DataObject) -> None:
    signer = Signer(rfc_key())
    receipt = signer.sign(payload)
    member = data.draw(st.sampled_from(["payload", "protected", "signature"]))
    text: str = getattr(receipt, member)
    place = data.draw(st.integers(0, len(text) - 1))
    other = data.draw(st.characters(codec="ascii").filter(lambda sign: sign != text[place]))
    changed = msgspec.structs.replace(receipt, **{member: text[:place] + other + text[place + 1 :]})
    with pytest.raises(SignatureRefused):
        verify_receipt(changed, signer.jwks())


def test_another_key_under_the_same_name_is_refused() -> None:
    signer = Signer(rfc_key())
    foreign = Signer(Ed25519PrivateKey.generate()).jwks().keys[0]
    foreign.kid = signer.key_id
    with pytest.raises(SignatureRefused, match="does not fit"):
        verify_receipt(signer.sign(b"{}"), JwkSet(keys=[foreign]))


@pytest.mark.parametrize(
    "header", [{"alg": "none"}, {"alg": "HS256"}, {"alg": "EdDSA", "crit": ["b64"], "b64": False}, {}]
)
def test_other_algorithms_and_extensions_are_refused(header: dict[str, object]) -> None:
    signer = Signer(rfc_key())
    protected = to_base64url(msgspec.json.encode({**header, "kid": signer.key_id}))
    with pytest.raises(SignatureRefused, match="EdDSA"):
        verify_receipt(signed_as(protected, "e30"), signer.jwks())


@pytest.mark.parametrize("text", ["a", "====", "ä", "a+b/", "e30=", "e31"])
def test_only_canonical_base64url_is_read(text: str) -> None:
    signer = Signer(rfc_key())
    sound = signer.sign(b"{}")
    assert verify_receipt(signed_as(sound.protected, sound.payload), signer.jwks()) == b"{}"
    for receipt in (signed_as(sound.protected, text), signed_as(text, sound.payload)):
        with pytest.raises(SignatureRefused):
            verify_receipt(receipt, signer.jwks())
    with pytest.raises(SignatureRefused):
        verify_receipt(msgspec.structs.replace(sound, signature=text), signer.jwks())


@pytest.mark.parametrize(
    "protected", [b"", b"{", b"[]", b'"EdDSA"', b"7", b"null", b'[["alg", "EdDSA"]]', b"\xff", b"[" * 400]
)
def test_a_header_that_is_none_is_refused(protected: bytes) -> None:
    with pytest.raises(SignatureRefused):
        verify_receipt(signed_as(to_base64url(protected), "e30"), Signer(rfc_key()).jwks())


@pytest.mark.parametrize("x", ["", "AAAA", "=", "not base64url", RFC_X[:-1] + "p"])
def test_a_key_that_is_none_proves_nothing(x: str) -> None:
    signer = Signer(rfc_key())
    spoilt = msgspec.structs.replace(signer.jwks().keys[0], x=x)
    with pytest.raises(SignatureRefused):
        verify_receipt(signer.sign(b"{}"), JwkSet(keys=[spoilt]))


def test_members_of_the_header_that_say_nothing_here_are_passed_over() -> None:
    """RFC 7515 4."""
    signer = Signer(rfc_key())
    header = {"alg": "EdDSA", "kid": signer.key_id, "cty": "json", "elsewhere": 1}
    protected = to_base64url(msgspec.json.encode(header))
    assert verify_receipt(signed_as(protected, "e30"), signer.jwks()) == b"{}"


def test_a_receipt_of_a_whole_card_is_not_too_long() -> None:
    signer, payload = Signer(rfc_key()), b"x" * 9_000_000
    assert verify_receipt(signer.sign(payload), signer.jwks()) == payload


def test_a_key_file_is_for_its_owner_and_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "key.pem"
    create_key_file(path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    signer = Signer.load(path)
    with pytest.raises(FileExistsError):
        create_key_file(path)
    assert Signer.load(path).key_id == signer.key_id


def test_a_missing_or_wrong_key_file_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="sightledger receipt-key"):
        Signer.load(tmp_path / "none.pem")
    (tmp_path / "text.pem").write_text("no key")
    with pytest.raises(SettingError, match="cannot be read"):
        Signer.load(tmp_path / "text.pem")

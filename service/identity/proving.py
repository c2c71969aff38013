"""What a token of the identity provider must prove before anything in it is believed.

Section numbers of OpenID Connect Core 1.0 and RFC 8725 are from memory; Back-Channel Logout 1.0 2.4 and 2.6
and OWASP ASVS 5.0 10.5.4 and 10.5.5 were looked up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from authlib.oidc.core import CodeIDToken
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, RSAKey
from joserfc.jws import JWSRegistry, extract_compact
from joserfc.jwt import JWTClaimsRegistry, decode

# Seconds by which the provider's clock and the service's may differ.
SKEW_S = 60
# An id_token answers a sign-in that was begun at most so many seconds ago.
LONGEST_SIGN_IN_S = 600
# A logout token is sent the moment it is made.
LOGOUT_TOKEN_S = 120

# Signatures that only the provider can make. `none` is no signature, and the key of the HS algorithms is the
# client's secret or, for a client that is confused, the public key (RFC 8725 2.1, 3.1).
KEY_KINDS: dict[str, type[RSAKey | ECKey]] = {
    **dict.fromkeys(("RS256", "RS384", "RS512", "PS256", "PS384", "PS512"), RSAKey),
    **dict.fromkeys(("ES256", "ES384", "ES512"), ECKey),
}
LEAST_RSA_BITS = 2048
LONGEST_TOKEN = 32_768
LONGEST_SUBJECT = 255

LOGOUT_EVENT = "http://schemas.openid.net/event/backchannel-logout"

Key = RSAKey | ECKey


class TokenRefused(Exception):
    """The token proves nothing; the text says in words why."""


@dataclass(frozen=True)
class Party:
    """Who is to have issued a token, and for whom."""

    issuer: str
    client_id: str


@dataclass(frozen=True)
class LogoutOrder:
    """Which sessions a provider ends: those of a session of its own (`session_id`), or of a person."""

    subject: str | None
    session_id: str | None


def header_of(token: str) -> dict[str, Any]:
    """The header of a signed token, of which nothing is proved yet; raises TokenRefused."""
    if len(token) > LONGEST_TOKEN:
        raise TokenRefused("the token is too long")
    try:
        header = dict(extract_compact(token.encode("ascii")).headers())
    except (JoseError, ValueError, TypeError) as error:
        raise TokenRefused("the token is no signed token (RFC 7515)") from error
    if header.get("alg") not in KEY_KINDS:
        raise TokenRefused(f"the token is signed with {header.get('alg')!r}, which is not accepted")
    # RFC 7515 4.1.11: no extension is understood here.
    if "crit" in header:
        raise TokenRefused("the token's header asks for an extension that is not understood")
    return header


def fits(key: Key, members: Mapping[str, Any], header: Mapping[str, Any]) -> bool:
    """Whether a key of the provider's set, with its `members`, may have signed under this header."""
    alg = header["alg"]
    if not isinstance(key, KEY_KINDS[alg]) or members.get("use", "sig") != "sig":
        return False
    if members.get("alg", alg) != alg:
        return False
    return "kid" not in header or members.get("kid") == header["kid"]


def signed_claims(token: str, key: Key, alg: str) -> dict[str, Any]:
    """The claims of a token that `key` signed with `alg`; raises TokenRefused."""
    try:
        registry = JWSRegistry(algorithms=[alg], strict_check_header=False)
        return dict(decode(token, key, registry=registry).claims)
    except (JoseError, ValueError, TypeError) as error:
        raise TokenRefused("the token's signature does not fit") from error


def check_id_token(
    claims: dict[str, Any],
    header: dict[str, Any],
    party: Party,
    nonce: str,
    access_token: str | None,
    now: int,
) -> None:
    """Raise TokenRefused unless the claims are those of a sign-in with this nonce (Core 1.0 3.1.3.7)."""
    wanted = {
        "iss": {"essential": True, "value": party.issuer},
        "aud": {"essential": True, "value": party.client_id},
    }
    about = {"nonce": nonce, "client_id": party.client_id, "access_token": access_token}
    try:
        CodeIDToken(claims, header, wanted, about).validate(now, SKEW_S)
    except JoseError as error:
        raise TokenRefused(f"the id_token is not accepted ({error})") from error
    except (ValueError, TypeError, AttributeError) as error:
        raise TokenRefused("the id_token has a claim of the wrong type") from error
    _for_us_alone(claims, party)
    if claims["iat"] < now - LONGEST_SIGN_IN_S - SKEW_S:
        raise TokenRefused("the id_token was issued too long ago (iat)")
    subject_of(claims)


def _for_us_alone(claims: Mapping[str, Any], party: Party) -> None:
    # Core 1.0 3.1.3.7 (3): further audiences have to be trusted, and none is.
    if claims["aud"] not in (party.client_id, [party.client_id]):
        raise TokenRefused("the token is for others as well (aud)")


def subject_of(claims: Mapping[str, Any]) -> str:
    """The subject: up to 255 ASCII signs (Core 1.0 2); raises TokenRefused."""
    subject = claims.get("sub")
    if not isinstance(subject, str) or not 0 < len(subject) <= LONGEST_SUBJECT or not subject.isascii():
        raise TokenRefused("the token names no subject (sub)")
    return subject


def logout_order(claims: dict[str, Any], header: Mapping[str, Any], party: Party, now: int) -> LogoutOrder:
    """What a logout token orders; raises TokenRefused (Back-Channel Logout 1.0 2.6; ASVS 5.0 10.5.5).

    A token that is sent twice while it is valid ends the same sessions: `jti` is not kept.
    """
    if str(header.get("typ", "")).lower() not in ("logout+jwt", "application/logout+jwt"):
        raise TokenRefused("the token is no logout token (typ)")
    wanted = {name: {"essential": True} for name in ("iss", "aud", "iat", "exp", "jti", "events")}
    wanted["iss"]["value"], wanted["aud"]["value"] = party.issuer, party.client_id  # type: ignore[assignment]
    try:
        JWTClaimsRegistry(now, SKEW_S, **wanted).validate(claims)  # type: ignore[arg-type]
    except JoseError as error:
        raise TokenRefused(f"the logout token is not accepted ({error})") from error
    _for_us_alone(claims, party)
    events = claims["events"]
    if not isinstance(events, dict) or not isinstance(events.get(LOGOUT_EVENT), dict) or "nonce" in claims:
        raise TokenRefused("the token is no logout token (events, nonce)")
    if claims["iat"] < now - LOGOUT_TOKEN_S - SKEW_S:
        raise TokenRefused("the logout token was issued too long ago (iat)")
    session_id = claims.get("sid")
    if "sid" in claims and not (isinstance(session_id, str) and session_id):
        raise TokenRefused("the logout token names no session (sid)")
    if "sub" not in claims and session_id is None:
        raise TokenRefused("the logout token names neither a person nor a session (sub, sid)")
    return LogoutOrder(subject_of(claims) if "sub" in claims else None, session_id)

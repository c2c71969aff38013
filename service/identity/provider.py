"""The identity provider as the service sees it: found by its issuer, asked over bounded requests, believed
only where its keys prove it.

Section numbers of OpenID Connect Core 1.0, Discovery 1.0, RP-Initiated Logout 1.0, RFC 6749 and RFC 7636 are
from memory.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Collection, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar
from urllib.parse import quote_plus

import msgspec
import structlog
from authlib.oauth2.auth import ClientAuth
from authlib.oauth2.rfc6749.parameters import prepare_grant_uri, prepare_token_request
from authlib.oauth2.rfc7523 import PrivateKeyJWT
from authlib.oauth2.rfc7636 import create_s256_code_challenge
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, RSAKey, import_key

from service.errors import NotSignedIn, Unavailable
from service.identity.fetching import Answer, Fetching, NoAnswer, is_private
from service.identity.proving import (
    KEY_KINDS,
    LEAST_RSA_BITS,
    Key,
    LogoutOrder,
    Party,
    TokenRefused,
    check_id_token,
    fits,
    header_of,
    logout_order,
    signed_claims,
    subject_of,
)

# A provider that went down is noticed within a minute, and a burst of sign-ins asks it once.
METADATA_S = 60
# How long a failure is remembered, so that visitors do not queue for the next one.
FAILURE_S = 5
# A key that the provider took back counts for nothing after so long.
KEYS_S = 600
# Anybody can send a token that names an unknown key: for it the keys are fetched again once in so many
# seconds.
KEYS_AGAIN_S = 5
MOST_KEYS = 100
# Longer addresses are cut off by proxies; a sign-out without the hint asks the person first.
LONGEST_HINT = 4_000

T = TypeVar("T")

FORM = "application/x-www-form-urlencoded"

_log = structlog.get_logger("service.identity")


class Metadata(msgspec.Struct, frozen=True):
    """What is read of a provider's metadata (Discovery 1.0 3; RFC 9207 3)."""

    issuer: str
    authorization_endpoint: str
    token_endpoint: str
    jwks_uri: str
    userinfo_endpoint: str = ""
    end_session_endpoint: str = ""
    id_token_signing_alg_values_supported: tuple[str, ...] = ("RS256",)
    token_endpoint_auth_methods_supported: tuple[str, ...] = ("client_secret_basic",)
    code_challenge_methods_supported: tuple[str, ...] = ("S256",)
    authorization_response_iss_parameter_supported: bool = False


class _TokenAnswer(msgspec.Struct, frozen=True):
    id_token: str
    access_token: str


class _ErrorAnswer(msgspec.Struct, frozen=True):
    error: str


class _KeySet(msgspec.Struct, frozen=True):
    keys: list[dict[str, Any]]


# Made at import: the first use of a shape must not happen in two threads.
_METADATA = msgspec.json.Decoder(Metadata)
_TOKENS = msgspec.json.Decoder(_TokenAnswer)
_ERROR = msgspec.json.Decoder(_ErrorAnswer)
_KEYS = msgspec.json.Decoder(_KeySet)
_CLAIMS = msgspec.json.Decoder(dict[str, Any])


@dataclass(frozen=True)
class Registration:
    """How the service is registered with the provider; it has a secret or a private key."""

    party: Party
    secret: str = field(repr=False)
    key: Key | None = field(repr=False)
    scopes: str
    answer_address: str
    after_sign_out: str


@dataclass(frozen=True)
class Proven:
    """What a provider proved of a person who signed in; `claims` are those of id_token and userinfo."""

    subject: str
    session_id: str | None
    claims: Mapping[str, Any]
    id_token: str = field(repr=False)


class Provider:
    """One provider. Its metadata and keys are kept in each process for a short time."""

    def __init__(self, registration: Registration) -> None:
        self.registration = registration
        self._fetching = Fetching()
        self._asking = asyncio.Lock()
        self._metadata: tuple[float, Metadata] | None = None
        self._failed: tuple[float, str] | None = None
        self._keys: tuple[float, list[tuple[Key, dict[str, Any]]]] | None = None

    @property
    def issuer(self) -> str:
        return self.registration.party.issuer

    async def sign_in_address(self, state: str, nonce: str, verifier: str) -> str:
        """Where a browser is sent to sign in (Core 1.0 3.1.2.1; RFC 7636 4.3)."""
        metadata = await self.metadata()
        address: str = prepare_grant_uri(
            metadata.authorization_endpoint,
            self.registration.party.client_id,
            "code",
            redirect_uri=self.registration.answer_address,
            scope=self.registration.scopes,
            state=state,
            nonce=nonce,
            code_challenge=create_s256_code_challenge(verifier),
            code_challenge_method="S256",
        )
        return address

    async def redeem(self, code: str, verifier: str, nonce: str, needed: Collection[str]) -> Proven:
        """What the provider proves for a code; it is asked for those of the `needed` claims that its id_token
        lacks. Raises NotSignedIn, or Unavailable when it does not answer."""
        metadata = await self.metadata()
        tokens = await self._tokens(metadata, code, verifier)
        claims, header = await self._signed(metadata, tokens.id_token)
        try:
            check_id_token(
                claims, header, self.registration.party, nonce, tokens.access_token, int(time.time())
            )
        except TokenRefused as error:
            raise self._refused(str(error)) from error
        told: dict[str, Any] = {}
        if not claims.keys() >= set(needed):
            told = await self._userinfo(metadata, tokens.access_token, subject_of(claims))
        session_id = claims.get("sid")
        return Proven(
            subject_of(claims),
            session_id if isinstance(session_id, str) and session_id else None,
            {**told, **claims},
            tokens.id_token,
        )

    async def logout_order(self, token: str) -> LogoutOrder:
        """What a logout token orders; raises NotSignedIn where it proves nothing."""
        metadata = await self.metadata()
        claims, header = await self._signed(metadata, token)
        try:
            return logout_order(claims, header, self.registration.party, int(time.time()))
        except TokenRefused as error:
            raise self._refused(str(error)) from error

    async def sign_out_address(self, id_token: str) -> str | None:
        """Where a browser is sent to sign out at the provider too; None where the provider has no such place
        (RP-Initiated Logout 1.0 2)."""
        metadata = await self.metadata()
        if not metadata.end_session_endpoint:
            return None
        asked = {
            "client_id": self.registration.party.client_id,
            "post_logout_redirect_uri": self.registration.after_sign_out,
        }
        if len(id_token) <= LONGEST_HINT:
            asked["id_token_hint"] = id_token
        query = "&".join(f"{name}={quote_plus(value)}" for name, value in asked.items())
        joint = "&" if "?" in metadata.end_session_endpoint else "?"
        return f"{metadata.end_session_endpoint}{joint}{query}"

    async def metadata(self) -> Metadata:
        """The provider's metadata, at most a minute old; raises Unavailable."""
        async with self._asking:
            if self._metadata is not None and time.monotonic() - self._metadata[0] < METADATA_S:
                return self._metadata[1]
            found = await self._unless_it_just_failed(self._discovered)
            self._metadata = (time.monotonic(), found)
            return found

    async def _unless_it_just_failed(self, ask: Callable[[], Awaitable[T]]) -> T:
        """What the provider answers; a failure is told to all who wait for the same. Raises Unavailable."""
        if self._failed is not None and time.monotonic() - self._failed[0] < FAILURE_S:
            raise self._down(self._failed[1])
        try:
            return await ask()
        except NoAnswer as error:
            self._failed = (time.monotonic(), str(error))
            raise self._down(str(error)) from error

    async def _discovered(self) -> Metadata:
        address = f"{self.issuer.rstrip('/')}/.well-known/openid-configuration"
        found = _decoded(await self._fetching.get(address), _METADATA, "its metadata")
        # Discovery 1.0 4.3: else one provider could speak for another.
        if found.issuer != self.issuer:
            raise NoAnswer(f"its metadata is of another issuer, {found.issuer!r}")
        for name in ("authorization_endpoint", "token_endpoint", "jwks_uri"):
            if not is_private(getattr(found, name)):
                raise NoAnswer(f"its {name} is not https")
        for name in ("userinfo_endpoint", "end_session_endpoint"):
            if getattr(found, name) and not is_private(getattr(found, name)):
                raise NoAnswer(f"its {name} is not https")
        if not KEY_KINDS.keys() & set(found.id_token_signing_alg_values_supported):
            raise NoAnswer("it signs with no algorithm that is accepted")
        if "S256" not in found.code_challenge_methods_supported:
            raise NoAnswer("it does not take PKCE with S256")
        return found

    async def _tokens(self, metadata: Metadata, code: str, verifier: str) -> _TokenAnswer:
        """The token request (Core 1.0 3.1.3.1; RFC 7636 4.5)."""
        body = prepare_token_request(
            "authorization_code",
            code=code,
            redirect_uri=self.registration.answer_address,
            code_verifier=verifier,
        )
        headers = {"Content-Type": FORM}
        _, headers, body = self._client_auth(metadata).prepare("POST", metadata.token_endpoint, headers, body)
        try:
            answer = await self._fetching.post(metadata.token_endpoint, headers, body)
            if 400 <= answer.status < 500:
                raise self._refused_the_code(answer)
            return _decoded(answer, _TOKENS, "its answer to the code")
        except NoAnswer as error:
            raise self._down(str(error)) from error

    def _client_auth(self, metadata: Metadata) -> Any:
        """How the service proves who it is at the token endpoint (Core 1.0 9)."""
        client_id, registration = self.registration.party.client_id, self.registration
        if registration.key is not None:
            method = PrivateKeyJWT(metadata.token_endpoint, alg=signing_alg(registration.key))
            return ClientAuth(client_id, registration.key, method)
        methods = metadata.token_endpoint_auth_methods_supported
        if "client_secret_basic" in methods or "client_secret_post" not in methods:
            # RFC 6749 2.3.1: both are form-encoded first.
            return ClientAuth(quote_plus(client_id), quote_plus(registration.secret), "client_secret_basic")
        return ClientAuth(client_id, registration.secret, "client_secret_post")

    def _refused_the_code(self, answer: Answer) -> Exception:
        try:
            error = _ERROR.decode(answer.content).error[:100]
        except msgspec.DecodeError:
            error = f"status {answer.status}"
        _log.warning("the provider refused a code", issuer=self.issuer, error=error)
        if error in ("invalid_client", "unauthorized_client"):
            return Unavailable(
                f"The identity provider does not take this service for its client ({error}).",
                next_step="Tell the administrator: client id, secret or key do not fit the provider.",
            )
        return NotSignedIn(
            f"The identity provider refused the sign-in ({error}).", next_step="Begin the sign-in again."
        )

    async def _userinfo(self, metadata: Metadata, access_token: str, subject: str) -> dict[str, Any]:
        """Further claims, of the same subject alone (Core 1.0 5.3.2)."""
        if not metadata.userinfo_endpoint:
            return {}
        headers = {"Authorization": f"Bearer {access_token}"}
        try:
            answer = await self._fetching.get(metadata.userinfo_endpoint, headers)
            told = _decoded(answer, _CLAIMS, "what it tells of the person")
        except NoAnswer as error:
            raise self._down(str(error)) from error
        if told.get("sub") != subject:
            raise self._refused("id_token and userinfo are of two people (sub)")
        return told

    async def _signed(self, metadata: Metadata, token: str) -> tuple[dict[str, Any], dict[str, Any]]:
        """Claims and header of a token that a key of the provider's signed."""
        try:
            header = header_of(token)
            if header["alg"] not in metadata.id_token_signing_alg_values_supported:
                raise TokenRefused("the provider does not announce the algorithm of its signature")
            key = await self._key(metadata, header)
            return signed_claims(token, key, header["alg"]), header
        except TokenRefused as error:
            raise self._refused(str(error)) from error

    async def _key(self, metadata: Metadata, header: Mapping[str, Any]) -> Key:
        """The key that a header names; without a name there must be one alone that fits (Core 1.0 10.1)."""
        for at_least in (KEYS_S, KEYS_AGAIN_S):
            keys = await self._fresh_keys(metadata, at_least)
            found = [key for key, members in keys if fits(key, members, header)]
            if len(found) == 1:
                return found[0]
        raise TokenRefused("the token is signed by no key of the provider, or does not say by which")

    async def _fresh_keys(self, metadata: Metadata, seconds: int) -> list[tuple[Key, dict[str, Any]]]:
        """The provider's keys, fetched again when they are older than `seconds`."""
        async with self._asking:
            if self._keys is not None and time.monotonic() - self._keys[0] < seconds:
                return self._keys[1]

            async def ask() -> _KeySet:
                return _decoded(await self._fetching.get(metadata.jwks_uri), _KEYS, "the set of its keys")

            sent = (await self._unless_it_just_failed(ask)).keys[:MOST_KEYS]
            usable = [(key, members) for members in sent if (key := _public_key(members))]
            self._keys = (time.monotonic(), usable)
            return usable

    def _down(self, why: str) -> Unavailable:
        _log.warning("the provider does not answer", issuer=self.issuer, why=why)
        return Unavailable(
            f"The identity provider {self.issuer} does not answer as it should: {why}.",
            consequence="Nobody can sign in with it now. Whoever is signed in stays so; nothing was changed.",
            next_step="Try again in some minutes. If work cannot wait, ask the operator for a code.",
        )

    def _refused(self, why: str) -> NotSignedIn:
        _log.warning("a token of the provider is not accepted", issuer=self.issuer, why=why)
        return NotSignedIn(
            f"What the identity provider sent is not accepted: {why}.",
            consequence="You are not signed in; nothing was changed.",
            next_step="Begin the sign-in again. If this comes again, tell the administrator the reason.",
        )


def signing_alg(key: Key) -> str:
    """With what a private key of the service signs: RS256 or the algorithm of its curve (RFC 7518 3.4)."""
    if isinstance(key, RSAKey):
        return "RS256"
    return {"P-256": "ES256", "P-384": "ES384", "P-521": "ES512"}[key.curve_name]


def _public_key(members: dict[str, Any]) -> Key | None:
    """A key of the set; None for one of another kind, a weak one, or one that is no key."""
    try:
        key = import_key(members)
    except (JoseError, ValueError, TypeError, KeyError):
        return None
    if key.is_private or not isinstance(key, RSAKey | ECKey):
        return None
    weak = isinstance(key, RSAKey) and key.public_key.key_size < LEAST_RSA_BITS
    return None if weak else key


def _decoded(answer: Answer, decoder: msgspec.json.Decoder[T], what: str) -> T:
    if answer.status != 200:
        raise NoAnswer(f"{what} came with status {answer.status}")
    try:
        return decoder.decode(answer.content)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise NoAnswer(f"{what} cannot be read") from error

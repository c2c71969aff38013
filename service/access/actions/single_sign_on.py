"""Sign-in of people by OpenID Connect: who they are and what they may do comes from the identity provider.

Section numbers of RFC 9700 and OpenID Connect Core 1.0 are from memory.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from base64 import urlsafe_b64encode
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from uuid import UUID

import structlog
from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
from cryptography.hazmat.primitives.asymmetric.rsa import RSAPrivateKey
from cryptography.hazmat.primitives.serialization import load_pem_private_key
from joserfc.jwk import ECKey, RSAKey
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access import credentials, identities, store
from service.access.actions import signing_in
from service.access.actions.groups import Groups, Rights, named_groups, read_groups
from service.access.actions.signing_in import open_session
from service.access.actions.tokens import hash_of
from service.access.origin import origin
from service.access.rules import Caller
from service.contract.access import SignedIn
from service.contract.showing import plain
from service.contract.wire import new_id
from service.database import Database, Row, serialise, server_now
from service.errors import NotAllowed, NotSignedIn, Refusal
from service.identity.fetching import is_private
from service.identity.provider import Proven, Provider, Registration
from service.identity.proving import LEAST_RSA_BITS, Key, Party
from service.settings import SettingError, Settings

ANSWER_PATH = "/sign-in/provider/answer"
AFTER_SIGN_OUT_PATH = "/sign-in"
LONGEST_NAME = 200
THE_PROVIDER = "the identity provider"

_log = structlog.get_logger("service.access")


@dataclass(frozen=True)
class Begun:
    """A sign-in that one browser began. All that the provider has to send back follows from a secret that
    only this browser holds, so that nobody else's answer fits (RFC 9700 2.1.1, 4.7; RFC 7636 4.1)."""

    secret: str

    @classmethod
    def fresh(cls) -> Begun:
        return cls(secrets.token_urlsafe(32))

    @property
    def state(self) -> str:
        return self._derived("state")

    @property
    def nonce(self) -> str:
        return self._derived("nonce")

    @property
    def verifier(self) -> str:
        return self._derived("verifier")

    def _derived(self, what: str) -> str:
        mac = hmac.digest(self.secret.encode(), what.encode(), hashlib.sha256)
        return urlsafe_b64encode(mac).rstrip(b"=").decode()


class SingleSignOn:
    """Sign-in with one provider, whose groups give roles and sites."""

    def __init__(self, provider: Provider, groups: Groups, claim: str, session_hours: int) -> None:
        self._provider = provider
        self._groups = groups
        self._claim = claim
        self._session_hours = session_hours

    @property
    def issuer(self) -> str:
        return self._provider.issuer

    async def address(self, begun: Begun) -> str:
        """Where the browser that began a sign-in is sent; raises Unavailable when the provider is down."""
        return await self._provider.sign_in_address(begun.state, begun.nonce, begun.verifier)

    async def finish(self, db: Database, answer: Mapping[str, str], begun: Begun | None) -> SignedIn:
        """A new session for the person whom the provider proves; `answer` is what its redirect brought.

        Raises NotSignedIn where nothing is proved, NotAllowed for a person whose groups give nothing.
        """
        # Whatever is refused from here on, also a person without rights (403), is a sign-in.
        origin().about["kind"] = "sign_in_refused"
        code = await self._code(answer, begun)
        assert begun is not None
        proven = await self._provider.redeem(code, begun.verifier, begun.nonce, {self._claim, "name"})
        name, groups = _name(proven.claims), named_groups(proven.claims.get(self._claim))
        async with db.begin() as connection:
            outcome = await self._recorded(connection, proven, name, groups)
        # Raised only now: that somebody lost his rights is committed.
        if isinstance(outcome, Refusal):
            raise outcome
        return outcome

    async def _code(self, answer: Mapping[str, str], begun: Begun | None) -> str:
        """The code of an answer that belongs to the sign-in that this browser began."""
        if begun is None or not hmac.compare_digest(begun.state.encode(), answer.get("state", "").encode()):
            raise NotSignedIn(
                "This browser did not begin this sign-in, or began it too long ago, or began another since.",
                next_step="Begin the sign-in again, in one window.",
            )
        await self._must_be_of_our_provider(answer.get("iss"))
        if "error" in answer:
            raise NotSignedIn(
                f"The identity provider did not sign you in ({plain(answer['error'])[:100]}).",
                next_step="Begin again, or ask those who keep the provider.",
            )
        if not answer.get("code"):
            raise NotSignedIn("The identity provider's answer holds no code.", next_step="Begin again.")
        return answer["code"]

    async def _must_be_of_our_provider(self, issuer: str | None) -> None:
        """RFC 9207 2.4: an issuer that is named must be ours, and one must be named where that is announced;
        a code of another provider is never sent to ours (mix-up, RFC 9700 4.4)."""
        if issuer is None:
            metadata = await self._provider.metadata()
            if not metadata.authorization_response_iss_parameter_supported:
                return
        if issuer != self.issuer:
            raise NotSignedIn(
                "The answer does not come from the identity provider that was asked (iss).",
                next_step="Begin the sign-in again. If this comes again, tell the administrator.",
            )

    async def _recorded(
        self, connection: AsyncConnection, proven: Proven, name: str, groups: list[str]
    ) -> SignedIn | Refusal:
        await serialise(connection, f"identity {self.issuer} {proven.subject}")
        rights = await self._rights(connection, groups)
        row = await identities.account_of(connection, self.issuer, proven.subject)
        origin().about["account_id"] = row["id"] if row else None
        if row is not None and row["closed_at"]:
            return NotAllowed(
                f"The account of {row['name']} is closed here.", next_step="Ask an administrator."
            )
        if row is not None:
            row = await self._brought_up_to_date(connection, row, name, rights)
        if rights.none:
            return _without_rights(name, rights)
        if row is None:
            row = await self._made(connection, proven.subject, name, rights)
        return await self._session(connection, row, proven)

    async def _rights(self, connection: AsyncConnection, groups: list[str]) -> Rights:
        rights = self._groups.rights(groups)
        if rights.sites and (missing := await store.unknown_sites(connection, rights.sites)):
            _log.warning("groups give sites that there are not", sites=missing)
            return Rights(rights.roles, [site for site in rights.sites if site not in missing])
        return rights

    async def _made(self, connection: AsyncConnection, subject: str, name: str, rights: Rights) -> Row:
        """The first sign-in makes the account. Its login is nobody's to choose, and no password opens it."""
        account_id = new_id()
        values = {
            "login": f"sso-{account_id}",
            "name": name,
            "roles": rights.roles,
            "sites": rights.sites,
        }
        row = {
            "id": account_id,
            **values,
            # No hash of any password.
            "password_hash": "-",
            "created_at": server_now(),
        }
        await store.insert_account(connection, row)
        await identities.insert_identity(connection, self.issuer, subject, account_id)
        made_by = {"single_sign_on": {"issuer": self.issuer, "subject": subject}}
        await store.note(
            connection,
            "account_made",
            account_id=account_id,
            by_name=THE_PROVIDER,
            detail={**values, **made_by},
        )
        made = await store.account(connection, account_id)
        assert made is not None
        return made

    async def _brought_up_to_date(
        self, connection: AsyncConnection, row: Row, name: str, rights: Rights
    ) -> Row:
        """The account as the provider's groups have it now. Who lost a right loses his open sessions."""
        now = {"name": name, "roles": rights.roles, "sites": rights.sites}
        if rights.none:
            now |= {"roles": [], "sites": []}
        changed = {column: value for column, value in now.items() if row[column] != value}
        if not changed:
            return row
        await store.update_account(connection, row["id"], **changed)
        if _lost(row, now):
            await credentials.revoke_tokens(connection, account_id=row["id"])
        detail = {**changed, "single_sign_on": {"issuer": self.issuer}}
        await store.note(
            connection, "account_changed", account_id=row["id"], by_name=THE_PROVIDER, detail=detail
        )
        found = await store.account(connection, row["id"])
        assert found is not None
        return found

    async def _session(self, connection: AsyncConnection, row: Row, proven: Proven) -> SignedIn:
        signed_in = await open_session(connection, row, self._session_hours, detail={"by": "single sign-on"})
        await identities.insert_session(
            connection, hash_of(signed_in.token), self.issuer, proven.session_id, proven.id_token
        )
        return signed_in

    async def sign_out(self, db: Database, caller: Caller) -> str | None:
        """End the caller's session; where the browser signs out at the provider too, None if it need not.
        Raises Unavailable when the provider does not answer; the session has ended all the same."""
        id_token = None
        if caller.token_id is not None:
            async with db.begin() as connection:
                id_token = await identities.take_session(connection, caller.token_id)
        await signing_in.sign_out(db, caller)
        return None if id_token is None else await self._provider.sign_out_address(id_token)

    async def signed_out_at_provider(self, db: Database, logout_token: str) -> None:
        """End the sessions that the provider says have ended (Back-Channel Logout 1.0 2.7); raises
        NotSignedIn for a token that proves nothing. Sessions that are not known have ended."""
        order = await self._provider.logout_order(logout_token)
        async with db.begin() as connection:
            if order.session_id is not None:
                ended = await identities.tokens_of_session(
                    connection, self.issuer, order.session_id, order.subject
                )
                for token in ended:
                    await credentials.revoke_tokens(connection, token_id=token["id"])
                    await self._note_end(connection, token["account_id"])
            elif order.subject is not None:
                row = await identities.account_of(connection, self.issuer, order.subject)
                if row is not None:
                    await credentials.revoke_tokens(connection, account_id=row["id"])
                    await self._note_end(connection, row["id"])

    async def _note_end(self, connection: AsyncConnection, account_id: UUID) -> None:
        await store.note(connection, "signed_out_by_provider", account_id=account_id, by_name=THE_PROVIDER)


def _lost(before: Row, now: Mapping[str, Any]) -> bool:
    """Whether an account has a role or a site less than before."""
    if set(before["roles"]) - set(now["roles"]):
        return True
    if now["sites"] is None:
        return False
    return before["sites"] is None or bool(set(before["sites"]) - set(now["sites"]))


def _without_rights(name: str, rights: Rights) -> NotAllowed:
    lacking = "gives you a site" if rights.roles else "gives you a role"
    return NotAllowed(
        f"The identity provider knows you as {plain(name)}, but none of your groups there {lacking} here.",
        consequence="You are not signed in. What you did before stays in the record.",
        next_step="Ask those who keep the groups at the provider for the one that your work needs.",
    )


def _name(claims: Mapping[str, Any]) -> str:
    """The person's name as it stands in the record, of the claims name and preferred_username (Core 1.0
    5.1)."""
    for claim in ("name", "preferred_username"):
        name = claims.get(claim)
        if isinstance(name, str) and 0 < len(name.strip()) <= LONGEST_NAME and name.isprintable():
            return name.strip()
    raise NotSignedIn(
        "The identity provider tells no name of yours, and the record names who did what.",
        next_step="Ask those who keep the provider to send the claim `name` (scope profile).",
    )


def open_single_sign_on(settings: Settings) -> SingleSignOn | None:
    """What these settings say of single sign-on; None where they name no provider. Raises SettingError."""
    if not settings.sso_issuer:
        _must_not_be_alone(settings)
        return None
    faults = [text for wrong, text in _wrong(settings) if wrong]
    if faults:
        raise SettingError(" ".join(faults))
    registration = Registration(
        party=Party(settings.sso_issuer, settings.sso_client_id),
        secret=settings.sso_client_secret,
        key=_private_key(Path(settings.sso_client_key_file)) if settings.sso_client_key_file else None,
        scopes=settings.sso_scopes,
        answer_address=settings.public_url.rstrip("/") + ANSWER_PATH,
        after_sign_out=settings.public_url.rstrip("/") + AFTER_SIGN_OUT_PATH,
    )
    groups = read_groups(Path(settings.sso_groups_file))
    return SingleSignOn(Provider(registration), groups, settings.sso_claim, settings.session_hours)


def _must_not_be_alone(settings: Settings) -> None:
    if settings.local_accounts == "no":
        raise SettingError(
            "SIGHTLEDGER_LOCAL_ACCOUNTS=no leaves nobody who can sign in: set SIGHTLEDGER_SSO_ISSUER too."
        )


def _wrong(settings: Settings) -> list[tuple[bool, str]]:
    both = bool(settings.sso_client_secret) == bool(settings.sso_client_key_file)
    return [
        (not settings.sso_client_id, "SIGHTLEDGER_SSO_ISSUER needs SIGHTLEDGER_SSO_CLIENT_ID."),
        (
            both,
            "SIGHTLEDGER_SSO_ISSUER needs one of SIGHTLEDGER_SSO_CLIENT_SECRET and "
            "SIGHTLEDGER_SSO_CLIENT_KEY_FILE.",
        ),
        (not settings.sso_groups_file, "SIGHTLEDGER_SSO_ISSUER needs SIGHTLEDGER_SSO_GROUPS_FILE."),
        (
            not is_private(settings.sso_issuer),
            "SIGHTLEDGER_SSO_ISSUER must be https: whoever is on the way could sign in as anybody.",
        ),
        (
            not is_private(settings.public_url),
            "SIGHTLEDGER_PUBLIC_URL must be https where people sign in with SIGHTLEDGER_SSO_ISSUER.",
        ),
    ]


def _private_key(path: Path) -> Key:
    """The key by which the service proves itself to the provider (private_key_jwt); raises SettingError."""
    variable = "SIGHTLEDGER_SSO_CLIENT_KEY_FILE"
    try:
        key = load_pem_private_key(path.read_bytes(), password=None)
    except (OSError, ValueError, TypeError) as error:
        raise SettingError(f"{variable}: the key {path} cannot be read: {error}") from error
    if isinstance(key, RSAPrivateKey) and key.key_size >= LEAST_RSA_BITS:
        return RSAKey.import_key(key)
    if isinstance(key, EllipticCurvePrivateKey) and key.curve.name in ("secp256r1", "secp384r1", "secp521r1"):
        return ECKey.import_key(key)
    raise SettingError(
        f"{variable}: {path} holds no RSA key of 2048 bits or more and no key of a NIST curve."
    )


def host_of(issuer: str) -> str:
    """How a person recognises a provider."""
    return urlsplit(issuer).netloc

"""Attacks on sign-in by OpenID Connect, against a provider that lies and browsers that cheat.

Sources: OpenID Connect Core 1.0 (2, 3.1.2.1, 3.1.3.7, 5.3.2, 5.7, 10.1, 16), RFC 7636, RFC 9207 2.4, RFC 9700
(2.1.1, 4.4, 4.5, 4.7, 4.11, 4.12), RFC 8725 (2.1, 3.1): section numbers from memory. Back-Channel Logout 1.0
2.4 and 2.6, OWASP ASVS 5.0 10.5.4 and 10.5.5: looked up.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import time
from base64 import urlsafe_b64encode
from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import pytest
from cryptography.hazmat.primitives.asymmetric.padding import PKCS1v15
from cryptography.hazmat.primitives.hashes import SHA256
from joserfc import jwt
from joserfc.jwk import ECKey, OctKey, RSAKey

from service.access.auth import SESSION_COOKIE
from service.identity.fetching import LARGEST_ANSWER, SECONDS
from service.identity.proving import LOGOUT_EVENT
from service.settings import Settings
from tests.access.identity_provider import with_provider
from tests.attack.lying_provider import CLIENT_ID, SECRET, LyingProvider, lying_provider
from tests.live_service import Running, execute, running_service

ANSWER = "/sign-in/provider/answer"
BEGUN = "sightledger_sign_in"


@pytest.fixture(scope="module")
def attacked(
    service_settings: Settings, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Running, LyingProvider]]:
    folder = tmp_path_factory.mktemp("attacked")
    with lying_provider() as provider:
        settings = trusting(service_settings, folder, provider)
        with running_service(settings, folder) as service:
            yield service, provider


def trusting(settings: Settings, folder: Any, provider: LyingProvider) -> Settings:
    known = {"sso_client_id": CLIENT_ID, "sso_client_secret": SECRET, "sso_scopes": "openid"}
    return with_provider(settings, folder, provider.issuer, **known)


@pytest.fixture
def service(attacked: tuple[Running, LyingProvider]) -> Running:
    return attacked[0]


@pytest.fixture
def provider(attacked: tuple[Running, LyingProvider]) -> LyingProvider:
    attacked[1].be_honest()
    return attacked[1]


class Browser:
    """A browser that began a sign-in: it holds the cookie, and knows what was sent to the provider."""

    def __init__(self, service: Running, back: str = "/") -> None:
        self.client = service.client()
        self.client.headers["Accept"] = "text/html"
        self.began = self.client.get("/sign-in/provider", params={"next": back})
        assert self.began.status_code == 303, self.began.text
        query = parse_qs(urlsplit(self.began.headers["location"]).query)
        self.asked = {name: value for name, [value] in query.items()}

    def comes_back(self, provider: LyingProvider, code: str = "a-code", **more: Any) -> httpx.Response:
        query = {"code": code, "state": self.asked["state"], "iss": provider.issuer, **more}
        given = {name: value for name, value in query.items() if value is not None}
        return self.client.get(ANSWER, params=given)

    def answered(self, provider: LyingProvider, id_token: str, **more: Any) -> httpx.Response:
        """Comes back with a code for which the provider gives this id_token."""
        provider.tokens["a-code"] = {"id_token": id_token, "access_token": "an-access-token", **more}
        return self.comes_back(provider)


def is_in(answer: httpx.Response) -> bool:
    """Whether a session came with an answer."""
    return any(
        cookie.startswith(f"{SESSION_COOKIE}=slp_") for cookie in answer.headers.get_list("set-cookie")
    )


def signed_in(service: Running, provider: LyingProvider, **claims: Any) -> httpx.Client:
    browser = Browser(service)
    honest = provider.signed(provider.claims(browser.asked["nonce"], **claims))
    answer = browser.answered(provider, honest)
    assert is_in(answer), answer.text
    return browser.client


def me(client: httpx.Client) -> dict[str, Any]:
    told: dict[str, Any] = client.get("/api/v1/callers/me").json()
    return told


def test_an_honest_provider_signs_in_and_the_request_holds_state_nonce_and_pkce(
    service: Running, provider: LyingProvider
) -> None:
    browser = Browser(service)
    answer = browser.answered(provider, provider.signed(provider.claims(browser.asked["nonce"])))
    assert is_in(answer)
    assert browser.asked["code_challenge_method"] == "S256"
    verifier = provider.sent[0]["code_verifier"][0]
    digest = hashlib.sha256(verifier.encode()).digest()
    assert urlsafe_b64encode(digest).rstrip(b"=").decode() == browser.asked["code_challenge"]
    values = [browser.asked[name] for name in ("state", "nonce", "code_challenge")]
    again = Browser(service).asked
    assert not set(values) & set(again.values()), "each sign-in has values of its own"


# State, browser and code


def test_an_answer_with_the_state_of_another_browser_signs_nobody_in(
    service: Running, provider: LyingProvider
) -> None:
    """RFC 9700 4.7: the attacker has a victim's browser finish the attacker's own sign-in."""
    attacker, victim = Browser(service), Browser(service)
    provider.tokens["a-code"] = {
        "id_token": provider.signed(provider.claims(attacker.asked["nonce"])), "access_token": "t",
    }  # fmt: skip
    answer = victim.comes_back(provider, state=attacker.asked["state"])
    assert (answer.status_code, is_in(answer)) == (401, False)
    assert provider.asked["/token"] == 0, "the code is sent to nobody"


@pytest.mark.parametrize("state", [None, "", "forged", "x" * 5000, "é"])
def test_an_answer_with_a_forged_state_signs_nobody_in(
    service: Running, provider: LyingProvider, state: str | None
) -> None:
    answer = Browser(service).comes_back(provider, state=state)
    assert (answer.status_code, is_in(answer), provider.asked["/token"]) == (401, False, 0)


@pytest.mark.parametrize("cookie", ["", ".", "..", "secret.1.%2F", "secret.9999999999999999.%2F", "x" * 9000])
def test_a_browser_that_began_nothing_or_too_long_ago_is_not_signed_in(
    service: Running, provider: LyingProvider, cookie: str
) -> None:
    client = service.client()
    headers = {"Cookie": f"{BEGUN}={cookie}", "Accept": "text/html"}
    answer = client.get(ANSWER, params={"code": "c", "state": "s", "iss": provider.issuer}, headers=headers)
    assert (answer.status_code, is_in(answer), provider.asked["/token"]) == (401, False, 0)


def test_an_answer_that_is_sent_twice_signs_in_once(service: Running, provider: LyingProvider) -> None:
    """Core 1.0 16.11; RFC 9700 4.5: the browser forgets what it began; a kept cookie meets a used code."""
    browser = Browser(service)
    cookie = browser.client.cookies[BEGUN]
    assert is_in(browser.answered(provider, provider.signed(provider.claims(browser.asked["nonce"]))))
    again = browser.comes_back(provider)
    assert (again.status_code, is_in(again), provider.asked["/token"]) == (401, False, 1)
    thief = service.client()
    headers = {"Cookie": f"{BEGUN}={cookie}", "Accept": "text/html"}
    kept = {"code": "a-code", "state": browser.asked["state"], "iss": provider.issuer}
    stolen = thief.get(ANSWER, params=kept, headers=headers)
    assert (stolen.status_code, is_in(stolen)) == (401, False)
    assert "refused the sign-in (invalid_grant)" in stolen.text


def test_a_stolen_code_comes_to_the_provider_with_the_verifier_of_the_thief(
    service: Running, provider: LyingProvider
) -> None:
    """RFC 7636 1, RFC 9700 4.5: code injection; the provider compares the verifier with the challenge."""
    victim, thief = Browser(service), Browser(service)
    thief.comes_back(provider, code="code of the victim")
    digest = hashlib.sha256(provider.sent[0]["code_verifier"][0].encode()).digest()
    challenge = urlsafe_b64encode(digest).rstrip(b"=").decode()
    assert challenge == thief.asked["code_challenge"] != victim.asked["code_challenge"]


# Which provider


@pytest.mark.parametrize("issuer", [None, "", "https://other.example", "http://localhost"])
def test_an_answer_of_another_issuer_or_of_none_where_one_is_announced_is_refused(
    service: Running, provider: LyingProvider, issuer: str | None
) -> None:
    """Mix-up: RFC 9207 2.4, RFC 9700 4.4. The code goes to no token endpoint."""
    answer = Browser(service).comes_back(provider, iss=issuer)
    assert (answer.status_code, is_in(answer), provider.asked["/token"]) == (401, False, 0)


METADATA = {
    "of another issuer": ({"issuer": "https://other.example"}, "of another issuer"),
    "tokens in the clear": ({"token_endpoint": "http://192.0.2.1/token"}, "token_endpoint is not https"),
    "keys in the clear": ({"jwks_uri": "http://192.0.2.1/keys"}, "jwks_uri is not https"),
    "a file": ({"jwks_uri": "file:///etc/passwd"}, "jwks_uri is not https"),
    "userinfo in the clear": ({"userinfo_endpoint": "http://192.0.2.1/"}, "userinfo_endpoint is not https"),
    "symmetric alone": ({"id_token_signing_alg_values_supported": ["HS256", "none"]}, "no algorithm"),
    "plain PKCE alone": ({"code_challenge_methods_supported": ["plain"]}, "PKCE with S256"),
    "too long": ({"padding": "x" * LARGEST_ANSWER}, "more than"),
    "no endpoint": ({"token_endpoint": None}, "cannot be read"),
}


async def discovered(provider: LyingProvider) -> str:
    """What the service says of a provider's metadata, asked in this process."""
    from service.errors import Unavailable
    from service.identity.provider import Provider, Registration
    from service.identity.proving import Party

    party = Party(provider.issuer, CLIENT_ID)
    registration = Registration(party, SECRET, None, "openid", "http://127.0.0.1/a", "http://127.0.0.1/o")
    try:
        await Provider(registration).metadata()
    except Unavailable as refusal:
        return refusal.detail
    return "taken"


@pytest.mark.anyio
@pytest.mark.parametrize("kind", METADATA)
async def test_metadata_that_lead_astray_are_not_followed(provider: LyingProvider, kind: str) -> None:
    """Discovery 1.0 4.3; RFC 9700 4.4; RFC 8725 3.1."""
    assert await discovered(provider) == "taken"
    change, reason = METADATA[kind]
    provider.metadata.update(change)
    assert reason in await discovered(provider)


@pytest.mark.anyio
async def test_a_provider_that_drips_its_answer_is_given_up_in_time(provider: LyingProvider) -> None:
    """CWE-400: each byte comes before the silence is too long, the whole would take minutes."""
    provider.drip = True
    began = time.monotonic()
    assert f"no answer within {SECONDS} s" in await discovered(provider)
    assert time.monotonic() - began < SECONDS + 3


def test_a_token_endpoint_that_leads_elsewhere_is_not_followed_with_the_secret(
    service: Running, provider: LyingProvider
) -> None:
    """RFC 9700 4.12 (307 redirects): code, verifier and secret go to no third address."""
    provider.redirect = f"{provider.issuer}/elsewhere"
    answer = Browser(service).comes_back(provider)
    assert (answer.status_code, is_in(answer)) == (503, False)
    assert provider.asked["/elsewhere"] == 0


# The id_token


def wrong(nonce: str, provider: LyingProvider) -> dict[str, dict[str, Any]]:
    """Claims of which one is wrong (Core 1.0 3.1.3.7 by number)."""
    now = int(time.time())
    return {
        "(2) iss of another provider": {"iss": "https://other.example"},
        "(2) iss with a slash": {"iss": f"{provider.issuer}/"},
        "(3) aud of another client": {"aud": "another-client"},
        "(3) aud of another client, azp ours": {"aud": "another-client", "azp": CLIENT_ID},
        "(3) aud of us and another": {"aud": [CLIENT_ID, "another-client"], "azp": CLIENT_ID},
        "(3) aud in a longer text": {"aud": f"{CLIENT_ID} and more"},
        "(3) no aud": {"aud": None},
        "(4) azp of another client": {"azp": "another-client"},
        "(9) expired": {"exp": now - 61},
        "(9) no exp": {"exp": None},
        "(9) exp is text": {"exp": "4102444800"},
        "(9) exp is true": {"exp": True},
        "(9) exp is no number": {"exp": float("nan")},
        "(10) issued long ago": {"iat": now - 661},
        "(10) issued in the future": {"iat": now + 120},
        "(10) no iat": {"iat": None},
        "(11) nonce of another sign-in": {"nonce": "forged"},
        "(11) no nonce": {"nonce": None},
        "(11) nonce in a list": {"nonce": [nonce]},
        "at_hash of another access token": {"at_hash": "AAAAAAAAAAAAAAAAAAAAAA"},
        "at_hash is a number": {"at_hash": 7},
        "no sub": {"sub": None},
        "empty sub": {"sub": ""},
        "long sub": {"sub": "x" * 256},
        "sub is a number": {"sub": 7},
    }


@pytest.mark.parametrize("kind", wrong("", LyingProvider(1)))
def test_an_id_token_with_a_wrong_claim_signs_nobody_in(
    service: Running, provider: LyingProvider, kind: str
) -> None:
    browser = Browser(service)
    nonce = browser.asked["nonce"]
    claims = provider.claims(nonce, **wrong(nonce, provider)[kind])
    answer = browser.answered(provider, provider.signed(claims))
    assert (answer.status_code, is_in(answer)) == (401, False), answer.text


def test_an_at_hash_that_fits_is_taken(service: Running, provider: LyingProvider) -> None:
    half = hashlib.sha256(b"an-access-token").digest()[:16]
    at_hash = urlsafe_b64encode(half).rstrip(b"=").decode()
    assert me(signed_in(service, provider, at_hash=at_hash))["name"] == "Lee Example"


def encoded(part: dict[str, Any] | bytes) -> str:
    raw = part if isinstance(part, bytes) else json.dumps(part).encode()
    return urlsafe_b64encode(raw).rstrip(b"=").decode()


def unsigned(_: LyingProvider, claims: dict[str, Any]) -> str:
    return f"{encoded({'alg': 'none', 'typ': 'JWT'})}.{encoded(claims)}."


def signed_with_public_key(provider: LyingProvider, claims: dict[str, Any]) -> str:
    """By hand: the library makes no such token."""
    told = f"{encoded({'alg': 'HS256', 'kid': 'first'})}.{encoded(claims)}"
    mac = hmac.digest(provider.key.as_pem(private=False), told.encode(), "sha256")
    return f"{told}.{encoded(mac)}"


def signed_with_secret(_: LyingProvider, claims: dict[str, Any]) -> str:
    return jwt.encode({"alg": "HS256", "kid": "first"}, claims, OctKey.import_key(SECRET), ["HS256"])


def signed_by_a_stranger(_: LyingProvider, claims: dict[str, Any]) -> str:
    key = RSAKey.generate_key(2048)
    return jwt.encode({"alg": "RS256", "kid": "first"}, claims, key, ["RS256"])


def signed_by_the_key_that_it_brings(_: LyingProvider, claims: dict[str, Any]) -> str:
    key = RSAKey.generate_key(2048)
    header = {"alg": "RS256", "kid": "first", "jwk": key.as_dict(private=False)}
    return jwt.encode(header, claims, key, ["RS256"])


def signed_with_another_algorithm(provider: LyingProvider, claims: dict[str, Any]) -> str:
    return jwt.encode({"alg": "RS512", "kid": "first"}, claims, provider.key, ["RS512"])


def signed_under_no_name_of_two_keys(provider: LyingProvider, claims: dict[str, Any]) -> str:
    other = RSAKey.generate_key(2048, {"kid": "second", "use": "sig"})
    provider.keys = [other.as_dict(private=False), *provider.keys]
    return jwt.encode({"alg": "RS256", "kid": "neither"}, claims, provider.key, ["RS256"])


def with_a_changed_payload(provider: LyingProvider, claims: dict[str, Any]) -> str:
    header, _, signature = provider.signed({**claims, "sub": "somebody-else"}).split(".")
    return f"{header}.{encoded(claims)}.{signature}"


def with_a_critical_extension(provider: LyingProvider, claims: dict[str, Any]) -> str:
    """Signed by the provider's own key, under a header whose meaning the service does not know."""
    told = f"{encoded({'alg': 'RS256', 'kid': 'first', 'crit': ['odd'], 'odd': 1})}.{encoded(claims)}"
    signature = provider.key.private_key.sign(told.encode(), PKCS1v15(), SHA256())  # type: ignore[union-attr]
    return f"{told}.{encoded(signature)}"


FORGERIES = [
    unsigned,
    signed_with_public_key,
    signed_with_secret,
    signed_by_a_stranger,
    signed_by_the_key_that_it_brings,
    signed_with_another_algorithm,
    signed_under_no_name_of_two_keys,
    with_a_changed_payload,
    with_a_critical_extension,
    lambda *_: "",
    lambda *_: "a.b.c",
    lambda *_: "x" * 40_000,
    lambda *_: "a.b.c.d.e",
]


@pytest.mark.parametrize("forge", FORGERIES)
def test_an_id_token_that_the_providers_key_did_not_sign_proves_nothing(
    service: Running, provider: LyingProvider, forge: Callable[[LyingProvider, dict[str, Any]], str]
) -> None:
    """RFC 8725 2.1, 3.1 (none, HS256 with the public key); Core 1.0 10.1."""
    browser = Browser(service)
    answer = browser.answered(provider, forge(provider, provider.claims(browser.asked["nonce"])))
    assert (answer.status_code, is_in(answer)) == (401, False), answer.text
    assert provider.asked["/token"] == 1


@pytest.mark.anyio
async def test_keys_that_are_weak_secret_or_of_another_use_sign_for_nobody(provider: LyingProvider) -> None:
    from service.identity.provider import _public_key
    from service.identity.proving import fits

    header = {"alg": "RS256", "kid": "first"}
    honest = provider.key.as_dict(private=False)
    key = _public_key(honest)
    assert key is not None
    assert fits(key, honest, header)
    assert not fits(key, {**honest, "use": "enc"}, header)
    assert not fits(key, {**honest, "alg": "PS256"}, header)
    assert not fits(key, honest, {"alg": "ES256", "kid": "first"})
    assert _public_key(provider.key.as_dict(private=True)) is None, "a key in the open is stolen"
    assert _public_key({"kty": "oct", "k": "A" * 43, "kid": "first"}) is None
    assert _public_key({"kty": "RSA", "kid": "first"}) is None
    curve = ECKey.generate_key("P-256").as_dict(private=False)
    assert _public_key(curve) is not None


def test_userinfo_of_another_person_gives_nothing(service: Running, provider: LyingProvider) -> None:
    """Core 1.0 5.3.2: token substitution."""
    browser = Browser(service)
    provider.userinfo = {"sub": "an-administrator", "groups": ["office", "everywhere"]}
    claims = provider.claims(browser.asked["nonce"], groups=None)
    answer = browser.answered(provider, provider.signed(claims))
    assert (answer.status_code, is_in(answer)) == (401, False)
    assert "of two people" in answer.text


# Whose account


def test_a_subject_of_another_issuer_is_another_person(
    service: Running, provider: LyingProvider, tmp_path: Any
) -> None:
    """Core 1.0 2, 5.7: `sub` is unique within its issuer alone."""
    first = me(signed_in(service, provider, sub="shared-subject"))
    with (
        lying_provider() as other,
        running_service(trusting(service.settings, tmp_path, other), tmp_path) as elsewhere,
    ):
        second = me(signed_in(elsewhere, other, sub="shared-subject"))
    assert first["id"] != second["id"]


def test_the_e_mail_name_and_login_of_a_local_account_open_it_to_nobody(
    service: Running, provider: LyingProvider
) -> None:
    """Core 1.0 5.7: whoever can write a claim must not become somebody else by it."""
    login = "chief@plant.example"
    chief = service.account(login, "a password of the tests", ["administrator"])
    claims = {"email": login, "email_verified": True, "preferred_username": login, "name": login.title()}
    intruder = me(signed_in(service, provider, sub="intruder", **claims))
    assert intruder["id"] != str(chief)
    assert intruder["roles"] == ["inspector"]
    # Nor does the login of an account that the provider opened take a password.
    [[own]] = execute(service.settings, "SELECT login FROM accounts WHERE id = %s", intruder["id"])
    for password in ("-", "", "None", "a password of the tests"):
        answer = service.client().post("/api/v1/sessions", json={"login": own, "password": password})
        assert answer.status_code in (400, 401)


def test_a_session_that_was_put_into_the_browser_before_is_not_the_one_after(
    service: Running, provider: LyingProvider
) -> None:
    """Session fixation, CWE-384."""
    attacker = signed_in(service, provider, sub="attacker")
    planted = attacker.cookies[SESSION_COOKIE]
    browser = Browser(service)
    browser.client.cookies.set(SESSION_COOKIE, planted, domain="127.0.0.1", path="/")
    victim = provider.signed(provider.claims(browser.asked["nonce"], sub="victim", name="Vic Example"))
    assert is_in(browser.answered(provider, victim))
    assert me(service.client(planted))["name"] == "Lee Example", "the planted session stays the attacker's"


@pytest.mark.parametrize(
    "groups",
    [None, [], {}, 7, True, [["plant-inspectors"]], {"plant-inspectors": 1}, "canteen", ["Plant-Inspectors"],
     [" plant-inspectors"], ["*"], ["plant-inspectors,everywhere"]],
)  # fmt: skip
def test_groups_that_are_not_in_the_table_give_nothing(
    service: Running, provider: LyingProvider, groups: object
) -> None:
    browser = Browser(service)
    provider.userinfo = {"sub": "no-groups"}
    claims = provider.claims(browser.asked["nonce"], groups=groups, sub="no-groups")
    answer = browser.answered(provider, provider.signed(claims))
    assert (answer.status_code, is_in(answer)) == (403, False), answer.text


@pytest.mark.parametrize("name", [None, "", "   ", "x" * 201, "Mara\u202eelpmaxE", "Mara\nExample", 7])
def test_a_name_that_the_record_cannot_show_signs_nobody_in(
    service: Running, provider: LyingProvider, name: object
) -> None:
    browser = Browser(service)
    provider.userinfo = {"sub": "nameless"}
    claims = provider.claims(browser.asked["nonce"], name=name, sub="nameless")
    answer = browser.answered(provider, provider.signed(claims))
    assert (answer.status_code, is_in(answer)) == (401, False)


# Where to


@pytest.mark.parametrize(
    "back",
    ["https://a.example/", "//a.example", "/\\a.example", "\\\\a.example", "javascript:x", "/%0d%0aX: y",
     "/\r\nSet-Cookie: x=y", "///a.example", "http:a.example", "", "/sign-out", "/" + "x" * 5000],
)  # fmt: skip
def test_the_way_back_leads_to_a_page_of_ours(service: Running, provider: LyingProvider, back: str) -> None:
    """Open redirect, RFC 9700 4.11, CWE-601; before and after, and when the cookie was forged."""
    browser = Browser(service, back)
    assert browser.began.headers["location"].startswith(f"{provider.issuer}/authorize?")
    honest = provider.signed(provider.claims(browser.asked["nonce"]))
    answer = browser.answered(provider, honest)
    assert is_in(answer)
    ours(answer, back)
    forged = Browser(service)
    secret = forged.client.cookies[BEGUN].split(".")[0]
    value = f"{secret}.{int(time.time())}.{httpx.QueryParams({'b': back})}".replace("b=", "", 1)
    forged.client.cookies.clear()
    provider.tokens["a-code"] = {
        "id_token": provider.signed(provider.claims(forged.asked["nonce"])), "access_token": "t",
    }  # fmt: skip
    query = {"code": "a-code", "state": forged.asked["state"], "iss": provider.issuer}
    answer = forged.client.get(ANSWER, params=query, headers={"Cookie": f"{BEGUN}={value}"})
    assert is_in(answer)
    ours(answer, back)


def ours(answer: httpx.Response, back: str) -> None:
    location = answer.headers["location"]
    assert location == "/" or (location == back and back.startswith(("/%0d", "/xxx")))
    assert urlsplit(location).netloc == ""
    assert "x" not in answer.cookies


# Signing out


def logout(provider: LyingProvider, **more: Any) -> dict[str, Any]:
    now = int(time.time())
    usual = {
        "iss": provider.issuer, "aud": CLIENT_ID, "iat": now, "exp": now + 120, "jti": "1",
        "sub": "signs-out", "events": {LOGOUT_EVENT: {}},
    }  # fmt: skip
    return {name: value for name, value in {**usual, **more}.items() if value is not None}


LOGOUTS: dict[str, tuple[dict[str, Any], str]] = {
    "an id_token": ({"events": None, "nonce": "n"}, "JWT"),
    "no type of its own": ({}, "JWT"),
    "a nonce": ({"nonce": "n"}, "logout+jwt"),
    "no event": ({"events": {}}, "logout+jwt"),
    "another client": ({"aud": "another-client"}, "logout+jwt"),
    "another issuer": ({"iss": "https://other.example"}, "logout+jwt"),
    "expired": ({"exp": int(time.time()) - 61}, "logout+jwt"),
    "issued long ago": ({"iat": int(time.time()) - 3600}, "logout+jwt"),
    "nobody": ({"sub": None}, "logout+jwt"),
    "sid is a number": ({"sid": 7}, "logout+jwt"),
    "session of somebody else": ({"sid": "not-this"}, "logout+jwt"),
}


@pytest.mark.parametrize("kind", LOGOUTS)
def test_no_other_token_ends_a_session(service: Running, provider: LyingProvider, kind: str) -> None:
    """Forced logout and cross-JWT confusion: Back-Channel Logout 1.0 2.6, ASVS 5.0 10.5.5."""
    client = signed_in(service, provider, sub="signs-out", sid="session-1")
    change, kind_of_token = LOGOUTS[kind]
    token = provider.signed(logout(provider, **change), typ=kind_of_token)
    answer = service.client().post("/sign-out/provider", data={"logout_token": token})
    assert answer.status_code == (200 if kind == "session of somebody else" else 400)
    assert client.get("/api/v1/callers/me").status_code == 200


@pytest.mark.parametrize("named", [{"sid": "session-2"}, {"sid": "session-2", "sub": None}, {}])
def test_a_true_logout_token_ends_the_session_that_it_names(
    service: Running, provider: LyingProvider, named: dict[str, Any]
) -> None:
    client = signed_in(service, provider, sub="signs-out", sid="session-2")
    token = provider.signed(logout(provider, **named), typ="logout+jwt")
    answer = service.client().post("/sign-out/provider", data={"logout_token": token})
    assert (answer.status_code, answer.headers["cache-control"]) == (200, "no-store")
    assert client.get("/api/v1/callers/me").status_code == 401


def test_a_flood_of_tokens_with_unknown_keys_does_not_make_the_service_flood_the_provider(
    service: Running, provider: LyingProvider
) -> None:
    client = service.client()
    for number in range(40):
        token = provider.signed(logout(provider), typ="logout+jwt", kid=f"unknown-{number}")
        assert client.post("/sign-out/provider", data={"logout_token": token}).status_code == 400
    assert provider.asked["/keys"] <= 3
    assert provider.asked["/.well-known/openid-configuration"] <= 1


def test_a_session_cannot_make_itself_a_longer_one_by_the_operators_way(
    service: Running, provider: LyingProvider
) -> None:
    token = signed_in(service, provider, sub="stays").cookies[SESSION_COOKIE]
    answer = service.client().post("/sign-in/code", data={"code": token}, headers={"Origin": service.url})
    assert (answer.status_code, is_in(answer)) == (401, False)
    foreign = service.client().post(
        "/sign-in/code", data={"code": token}, headers={"Origin": "https://a.example"}
    )
    assert foreign.status_code == 403

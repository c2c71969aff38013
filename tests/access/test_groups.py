"""The table of groups, and what has to be set beside it, is refused in words that name every fault."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

from service.access.actions.groups import Groups, Rights, named_groups, read_groups
from service.access.actions.single_sign_on import open_single_sign_on
from service.access.rules import Role
from service.settings import SettingError, Settings

TABLE = """
[roles]
inspectors = ["inspector"]
leads = ["shift_lead", "inspector"]
[sites]
west = ["SKB"]
east = ["OLK", "SKB"]
everywhere = ["*"]
leads = ["OLK"]
"""


@pytest.fixture
def groups(tmp_path: Path) -> Groups:
    path = tmp_path / "groups.toml"
    path.write_text(TABLE, "utf-8")
    return read_groups(path)


@pytest.mark.parametrize(
    ("named", "roles", "sites"),
    [
        ([], [], []),
        (["inspectors"], ["inspector"], []),
        (["west"], [], ["SKB"]),
        (["inspectors", "west", "canteen"], ["inspector"], ["SKB"]),
        (["leads", "inspectors", "east"], ["inspector", "shift_lead"], ["OLK", "SKB"]),
        (["leads", "everywhere", "west"], ["inspector", "shift_lead"], None),
    ],
)
def test_groups_give_the_union_of_their_roles_at_the_union_of_their_sites(
    groups: Groups, named: list[str], roles: list[str], sites: list[str] | None
) -> None:
    rights = groups.rights(named)
    assert rights == Rights(roles, sites)
    assert rights.none is (not roles or sites == [])


def test_a_claim_is_a_list_of_names_or_one_name() -> None:
    assert named_groups(["a", 7, None, "b", ["c"]]) == ["a", "b"]
    assert named_groups("a") == ["a"]
    for other in (None, 7, True, {"a": 1}):
        assert named_groups(other) == []


FAULTS = {
    "": ("[roles] is missing or empty", "[sites] is missing or empty"),
    "[roles]\na = ['inspector']": ("[sites] is missing or empty",),
    "[roles]\na = ['boss', 'inspector']\n[sites]\na = ['*']": ("[roles] 'a': there is no role 'boss'",),
    "[roles]\na = 'inspector'\n[sites]\nb = []": ("[roles] 'a' must be a list", "[sites] 'b' must be a list"),
    "[roles]\na = [1]\n[sites]\nb = ['*', 'SKB']": ("[roles] 'a' must be", "no other may stand beside it"),
    "[roles]\na = ['auditor']\n[sites]\na = ['*']\n[people]\nx = 1": ("There is no table [people]",),
    "roles = 1\nsites = []": ("[roles] is missing or empty", "[sites] is missing or empty"),
    "[roles\n": ("is no TOML in UTF-8",),
    "\xff": ("is no TOML in UTF-8",),
}


@pytest.mark.parametrize("content", FAULTS)
def test_a_table_that_cannot_be_used_is_refused_with_every_fault(tmp_path: Path, content: str) -> None:
    path = tmp_path / "groups.toml"
    path.write_bytes(content.encode("latin-1"))
    with pytest.raises(SettingError) as refused:
        read_groups(path)
    assert str(refused.value).startswith(f"SIGHTLEDGER_SSO_GROUPS_FILE: {path} ")
    for fault in FAULTS[content]:
        assert fault in str(refused.value)


def test_every_role_may_be_given(tmp_path: Path) -> None:
    path = tmp_path / "groups.toml"
    path.write_text(f"[roles]\nall = {[str(role) for role in Role]}\n[sites]\nall = ['*']\n", "utf-8")
    assert read_groups(path).rights(["all"]) == Rights(sorted(Role), None)


WRONG: dict[str, tuple[dict[str, Any], str]] = {
    "no client": ({"sso_client_id": ""}, "SIGHTLEDGER_SSO_CLIENT_ID"),
    "neither secret nor key": ({"sso_client_secret": ""}, "one of SIGHTLEDGER_SSO_CLIENT_SECRET"),
    "secret and key": ({"sso_client_key_file": "/k.pem"}, "one of SIGHTLEDGER_SSO_CLIENT_SECRET"),
    "no table": ({"sso_groups_file": ""}, "SIGHTLEDGER_SSO_GROUPS_FILE"),
    "no such table": ({"sso_groups_file": "/no/such.toml"}, "No such file"),
    "issuer in the clear": (
        {"sso_issuer": "http://login.example.org"},
        "SIGHTLEDGER_SSO_ISSUER must be https",
    ),
    "issuer that looks like this machine": (
        {"sso_issuer": "http://127.0.0.1.example.org"},
        "SIGHTLEDGER_SSO_ISSUER must be https",
    ),
    "service in the clear": (
        {"public_url": "http://sightledger.example.org"},
        "SIGHTLEDGER_PUBLIC_URL must be https",
    ),
    "no such key": ({"sso_client_secret": "", "sso_client_key_file": "/no/such.pem"}, "cannot be read"),
    "nobody at all": ({"sso_issuer": "", "local_accounts": "no"}, "leaves nobody who can sign in"),
}


@pytest.fixture
def sound(service_settings: Settings, tmp_path: Path) -> Settings:
    (tmp_path / "groups.toml").write_text(TABLE, "utf-8")
    return msgspec.structs.replace(
        service_settings,
        sso_issuer="https://login.example.org",
        sso_client_id="sightledger",
        sso_client_secret="secret",
        sso_groups_file=str(tmp_path / "groups.toml"),
    )


def test_sound_settings_are_taken_and_without_an_issuer_there_is_no_single_sign_on(sound: Settings) -> None:
    assert open_single_sign_on(sound) is not None
    assert open_single_sign_on(msgspec.structs.replace(sound, sso_issuer="")) is None


@pytest.mark.parametrize("kind", WRONG)
def test_settings_that_do_not_go_together_are_refused_by_name(sound: Settings, kind: str) -> None:
    change, reason = WRONG[kind]
    with pytest.raises(SettingError, match=reason):
        open_single_sign_on(msgspec.structs.replace(sound, **change))


def test_a_key_that_no_provider_takes_is_refused(sound: Settings, tmp_path: Path) -> None:
    path = tmp_path / "key.pem"
    key = Ed25519PrivateKey.generate()
    path.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    with pytest.raises(SettingError, match="no RSA key of 2048 bits or more and no key of a NIST curve"):
        open_single_sign_on(
            msgspec.structs.replace(sound, sso_client_secret="", sso_client_key_file=str(path))
        )

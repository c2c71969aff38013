"""The table that says which roles and sites the groups of the identity provider give."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.access.rules import Role
from service.settings import SettingError

VARIABLE = "SIGHTLEDGER_SSO_GROUPS_FILE"
EVERY_SITE = "*"
LARGEST_FILE = 1_000_000
# What is looked at of the groups that a provider names.
MOST_GROUPS = 2_000


@dataclass(frozen=True)
class Rights:
    """Roles, and the sites at which each of them holds; `sites` None means every site."""

    roles: list[str]
    sites: list[str] | None

    @property
    def none(self) -> bool:
        return not self.roles or self.sites == []


@dataclass(frozen=True)
class Groups:
    """What each group gives: some give roles, some give sites, and a person has all of his roles at each of
    his sites, as every account has."""

    roles: Mapping[str, list[str]]
    sites: Mapping[str, list[str]]

    def rights(self, groups: Iterable[str]) -> Rights:
        """What a member of these groups may do, and where; a group that is not in the table gives nothing."""
        named = set(groups)
        roles = {role for group in named for role in self.roles.get(group, ())}
        sites = {site for group in named for site in self.sites.get(group, ())}
        return Rights(sorted(roles), None if EVERY_SITE in sites else sorted(sites))


def named_groups(claim: object) -> list[str]:
    """The groups in a claim: a list of names, or one name; whatever else it is names none."""
    if isinstance(claim, str):
        return [claim]
    if not isinstance(claim, list):
        return []
    return [group for group in claim[:MOST_GROUPS] if isinstance(group, str)]


def read_groups(path: Path) -> Groups:
    """The table in a TOML file; raises SettingError that names every fault of it."""
    try:
        content = path.read_bytes()
        if len(content) > LARGEST_FILE:
            raise SettingError(f"{VARIABLE}: {path} is larger than {LARGEST_FILE} bytes.")
        table = tomllib.loads(content.decode("utf-8"))
    except OSError as error:
        raise SettingError(f"{VARIABLE}: {path} cannot be read: {error.strerror}.") from error
    except ValueError as error:
        raise SettingError(f"{VARIABLE}: {path} is no TOML in UTF-8: {error}.") from error
    if faults := list(_faults(table)):
        raise SettingError(f"{VARIABLE}: {path} cannot be used. {' '.join(faults)}")
    return Groups(table["roles"], table["sites"])


def _faults(table: Mapping[str, Any]) -> Iterator[str]:
    for name in sorted(table.keys() - {"roles", "sites"}):
        yield f"There is no table [{name}]; the tables are [roles] and [sites]."
    for name in ("roles", "sites"):
        groups = table.get(name)
        if not isinstance(groups, dict) or not groups:
            yield f"The table [{name}] is missing or empty, so that nobody could sign in."
            continue
        for group, given in groups.items():
            yield from _faults_of_group(name, group, given)


def _faults_of_group(name: str, group: str, given: object) -> Iterator[str]:
    where = f"[{name}] {group!r}"
    if not isinstance(given, list) or not given or not all(isinstance(each, str) for each in given):
        yield f"{where} must be a list of {name}, such as {['auditor'] if name == 'roles' else ['SKB']}."
        return
    if name == "roles":
        known = {str(role) for role in Role}
        for role in sorted(set(given) - known):
            yield f"{where}: there is no role {role!r}; take of {', '.join(sorted(known))}."
    elif EVERY_SITE in given and len(given) > 1:
        yield f"{where}: {EVERY_SITE!r} is every site, so that no other may stand beside it."

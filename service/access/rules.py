"""Who may do what: roles, acts and site scopes. Pure."""

from __future__ import annotations

import ipaddress
import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from urllib.parse import urlsplit
from uuid import UUID

from service.errors import NotAllowed
from service.facts.rules import standing


class Role(StrEnum):
    AUTHOR = "author"
    APPROVER = "approver"
    INSPECTOR = "inspector"
    SHIFT_LEAD = "shift_lead"
    MANAGER = "manager"
    ENGINEER = "engineer"
    AUDITOR = "auditor"
    ADMINISTRATOR = "administrator"


class Act(StrEnum):
    READ = "read"
    WRITE_PLAN = "write a plan"
    APPROVE_PLAN = "review, approve or publish a plan"
    RUN_CAMPAIGN = "open or change a campaign"
    REBIND = "bind an inspection to another revision"
    STATE = "make a statement about a location"
    AUTHORISE_OMISSION = "authorise the omission of a location"
    AUTHORISE_MANDATORY_OMISSION = "authorise the omission of a mandatory location"
    READ_CARD = "prepare and read cards"
    MOVE_PICTURE = "move a picture to another place"
    RUN_SITE = "enrol agents and keep accounts"
    READ_LOG = "read the access log"


ACTS: dict[Role, frozenset[Act]] = {
    Role.AUTHOR: frozenset({Act.READ, Act.WRITE_PLAN}),
    Role.APPROVER: frozenset({Act.READ, Act.APPROVE_PLAN}),
    Role.INSPECTOR: frozenset({Act.READ, Act.STATE}),
    Role.SHIFT_LEAD: frozenset({Act.READ, Act.STATE, Act.AUTHORISE_OMISSION, Act.REBIND, Act.MOVE_PICTURE}),
    Role.MANAGER: frozenset({Act.READ, Act.RUN_CAMPAIGN, Act.REBIND}),
    Role.ENGINEER: frozenset(
        {Act.READ, Act.AUTHORISE_OMISSION, Act.AUTHORISE_MANDATORY_OMISSION, Act.MOVE_PICTURE}
    ),
    Role.AUDITOR: frozenset({Act.READ, Act.READ_LOG}),
    Role.ADMINISTRATOR: frozenset({Act.READ, Act.RUN_SITE, Act.READ_LOG}),
}

# Who may decide that a plan is right, and who may give roles: one administrator alone gives neither.
GUARDED = frozenset({Role.APPROVER, Role.ADMINISTRATOR})


def within(sites: Iterable[str] | None, reach: Iterable[str] | None) -> bool:
    """Whether all of `sites` lie in `reach`; None means every site."""
    return reach is None or (sites is not None and set(sites) <= set(reach))


def needs_second(
    roles_before: Iterable[str],
    sites_before: Iterable[str] | None,
    roles: Iterable[str],
    sites: Iterable[str] | None,
) -> bool:
    """Whether a change of an account gives a guarded role, or has one reach further."""
    given = GUARDED.intersection(roles)
    return bool(given - set(roles_before)) or (bool(given) and not within(sites, sites_before))


# The id of a caller who is neither a person with an account nor an agent.
NO_ACCOUNT = UUID(int=0)
# The roles that may state a location complete, and in whose name an agent may therefore state it.
SPEAKERS = tuple(role for role, acts in ACTS.items() if Act.STATE in acts)
AGENT_ACTS = frozenset({Act.READ, Act.READ_CARD, Act.STATE})


@dataclass(frozen=True, slots=True)
class Caller:
    """The person or agent behind a request. `sites` holds site codes; None means every site."""

    id: UUID
    name: str
    roles: frozenset[Role]
    sites: frozenset[str] | None
    agent: bool = False
    token_id: UUID | None = None
    # Somebody else set the password: nothing is done with it before the person has set another.
    password_reset: bool = False

    @property
    def account_id(self) -> UUID | None:
        return None if self.agent or self.id == NO_ACCOUNT else self.id

    def person(self) -> UUID:
        """The account behind the caller; raises NotAllowed for an agent."""
        if self.account_id is None:
            raise NotAllowed("This is for a person to do, signed in; an agent cannot.")
        return self.account_id

    @property
    def agent_id(self) -> UUID | None:
        return self.id if self.agent else None

    def may(self, act: Act) -> bool:
        acts = AGENT_ACTS if self.agent else frozenset().union(*(ACTS[role] for role in self.roles))
        return act in acts

    def at(self, site: str) -> bool:
        return self.sites is None or site in self.sites

    def must(self, act: Act, site: str | None = None) -> None:
        """Raise NotAllowed unless the caller may do `act`, and at `site` where one is given."""
        if not self.may(act):
            refusal = NotAllowed(
                f"{self.name} may not {act}.",
                next_step="Ask an administrator which role the work needs.",
            )
        elif site is not None and not self.at(site):
            refusal = NotAllowed(
                f"{self.name} has no access to site {site}.",
                next_step="Use an account or an agent of that site.",
            )
        else:
            return
        refusal.act = str(act)
        raise refusal


# Whoever runs a command on the server has its settings and so the database. The record names no account;
# an act for which it must name a person is refused.
OPERATOR = Caller(NO_ACCOUNT, "the command line", frozenset(Role), None)


@dataclass(frozen=True, slots=True)
class KeyFact:
    """That a receipt key signs for the service, or that nothing it signed proves anything any more."""

    id: UUID
    replaces: frozenset[UUID]
    key_id: str
    trusted: bool


def distrusted(facts: Iterable[KeyFact]) -> set[str]:
    """The keys that are not trusted: anything that stands says so, whatever else stands beside it."""
    of_key: dict[str, list[KeyFact]] = defaultdict(list)
    for fact in facts:
        of_key[fact.key_id].append(fact)
    return {key_id for key_id, its in of_key.items() if not all(head.trusted for head in standing(its).heads)}


# Crockford's base 32 alphabet: no two signs that a person takes for each other.
CODE_ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_MISREAD = str.maketrans({"O": "0", "I": "1", "L": "1", "-": None, " ": None})


def plain_code(typed: str) -> str:
    """An enrolment code as it was made, from how a person typed it."""
    return typed.strip().upper().translate(_MISREAD)


FREE_TRIES = 5
# A site stands behind one address: at the change of shift many people type, and some of them badly.
FREE_TRIES_OF_A_NETWORK = 40
LONGEST_WAIT_S = 900


def wait_after(tries: int, free: int = FREE_TRIES) -> int:
    """Seconds that must pass after the last of `tries` failed sign-ins: none while they are fewer than
    `free`, then 2 s, doubled with each further one, at most 15 minutes."""
    if tries < free:
        return 0
    return min(LONGEST_WAIT_S, 1 << min(tries - free + 1, 20))


@dataclass(frozen=True, slots=True)
class Visitor:
    """Where a sign-in comes from. `network` as of `network_of`, None for the server's own command line;
    `device` is what the browser was given at an earlier sign-in to the same account."""

    network: str | None
    device: str | None = None


AT_THE_SERVER = Visitor(None)


def network_of(address: str) -> str:
    """What an address counts as: an IPv4 address as itself, an IPv6 address as its /64, which one subscriber
    has whole (RFC 6177 2). What is no address counts as one and the same."""
    try:
        found = ipaddress.ip_address(address.strip().strip("[]").partition("%")[0])
    except ValueError:
        return "unknown"
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found)


# Without a port an origin has that of its scheme (RFC 6454 4).
_PORTS = {"http": 80, "https": 443}


def origin_of(address: str) -> tuple[str, str, int | None]:
    """Scheme, host and port of an address: the same of two pages of one origin (RFC 6454 5). What is no such
    address has an origin that is no page's."""
    try:
        parts = urlsplit(address)
        port = parts.port or _PORTS.get(parts.scheme)
    except ValueError:
        return "", "", None
    return parts.scheme, parts.hostname or "", port


# Words that passwords are made of most, written down by hand for this list from what people at such sites
# choose: words for a password, names of seasons, months and days, rows of keys, and the trade's own words.
_WORDS = """
password passwort pass secret geheim welcome willkommen hello hallo letmein changeme change default admin
administrator root user guest test demo login account manager inspector inspection engineer sightledger
videoscope scope camera turbine gearbox service site spring summer autumn winter fruehling sommer herbst
january february march april june july august september october november december monday tuesday wednesday
thursday friday saturday sunday qwertyuiop qwertzuiop qwerty qwertz asdfghjkl asdfgh zxcvbnm yxcvbnm
abcdefghijkl abcdefgh abcdef abcd abc iloveyou love dragon monkey football sunshine princess master shadow
superman batman trustno one two three my the is and your new old please
"""
COMMON = tuple(_WORDS.split())
_COMMON = re.compile("|".join(sorted(COMMON, key=len, reverse=True)))
_LOOKALIKES = str.maketrans({"0": "o", "1": "i", "3": "e", "4": "a", "5": "s", "7": "t", "@": "a", "$": "s"})
LEAST_CHARACTERS, LEAST_LETTERS = 5, 4


def password_fault(password: str, login: str) -> str | None:
    """Why a password is too easy to guess, in words; None where it is not. What is left of it without common
    words, digits and signs has to hold something (NIST SP 800-63B 5.1.1.2, from memory)."""
    plain = password.casefold()
    if len(set(plain.replace(" ", ""))) < LEAST_CHARACTERS:
        return "has fewer than five different characters"
    if len(login) >= LEAST_LETTERS and login.casefold() in plain:
        return "holds the login"
    for form in (plain, plain.translate(_LOOKALIKES)):
        if sum(map(str.isalpha, _COMMON.sub("", form))) < LEAST_LETTERS:
            return "is made of common words, rows of keys, digits and signs"
    return None


def address_of(connected: str, forwarded: Iterable[str], *, trusted_proxy: bool) -> str:
    """The address a request comes from: the one that connected, or behind a trusted proxy the last of
    X-Forwarded-For, which is the one the proxy itself saw. What stands before it, anybody may write."""
    last = ",".join(forwarded).rpartition(",")[2].strip()
    return last if trusted_proxy and last else connected

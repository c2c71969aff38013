"""Who may do what: roles, acts and site scopes. Pure."""

from __future__ import annotations

import ipaddress
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
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
LONGEST_WAIT_S = 900


def wait_after(tries: int) -> int:
    """Seconds that must pass after the last of `tries` failed sign-ins: none for the first five, then
    2 s, doubled with each further one, at most 15 minutes."""
    if tries < FREE_TRIES:
        return 0
    return min(LONGEST_WAIT_S, 1 << min(tries - FREE_TRIES + 1, 20))


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


def address_of(connected: str, forwarded: Iterable[str], *, trusted_proxy: bool) -> str:
    """The address a request comes from: the one that connected, or behind a trusted proxy the last of
    X-Forwarded-For, which is the one the proxy itself saw. What stands before it, anybody may write."""
    last = ",".join(forwarded).rpartition(",")[2].strip()
    return last if trusted_proxy and last else connected

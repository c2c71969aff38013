"""From where, by whom and through which route something is asked: what the access log says of each event."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Any

from service.access.rules import OPERATOR, Caller
from service.contract.showing import plain

LONGEST_USER_AGENT = 200

# Some proxies write the port too: 192.0.2.1:4711, [2001:db8::1]:4711 (RFC 7239 6 has this form).
_WITH_PORT = re.compile(r"(?:\[([^\]]*)\]|(\d+\.\d+\.\d+\.\d+))(?::\d{1,5})?", re.ASCII)


def canonical_address(text: str) -> str | None:
    """An IP address as RFC 5952 writes it; an IPv4 address that IPv6 carries as IPv4; None for no address."""
    found = _WITH_PORT.fullmatch(text.strip())
    bare = (found[1] or found[2]) if found else text.strip()
    try:
        address = ipaddress.ip_address(bare.partition("%")[0])
    except ValueError:
        return None
    return str(getattr(address, "ipv4_mapped", None) or address)


def plain_user_agent(sent: str | None) -> str | None:
    """What a program calls itself: short, on one line, and without orders to a terminal."""
    return plain(sent[:LONGEST_USER_AGENT])[:LONGEST_USER_AGENT] if sent else None


@dataclass(slots=True)
class Origin:
    """One request, or one command. `scope` is that of ASGI, where caller and route stand once they are known;
    `acting` names who acts without a request. `about`: what a refusal of it will have concerned."""

    acting: str | None = None
    address: str | None = None
    user_agent: str | None = None
    request_id: str | None = None
    scope: Mapping[str, Any] = field(default_factory=dict)
    about: dict[str, Any] = field(default_factory=dict)

    @property
    def caller(self) -> Caller | None:
        caller: Caller | None = self.scope.get("user")
        return caller

    @property
    def route(self) -> str | None:
        """Method and pattern of the address, never the address itself."""
        template = self.scope.get("path_template")
        return f"{self.scope['method']} {template}" if template else None

    def columns(self) -> dict[str, Any]:
        """Who and from where, as columns of the log."""
        caller = self.caller
        return {
            "by_account_id": caller.account_id if caller else None,
            "by_agent_id": caller.agent_id if caller else None,
            "by_name": caller.name if caller else self.acting,
            "address": self.address,
            "user_agent": self.user_agent,
            "request_id": self.request_id,
            "route": self.route,
        }


_origin: ContextVar[Origin | None] = ContextVar("from where something is asked", default=None)


def origin() -> Origin:
    """The origin of what is done here; without one it is done on the server, by a command."""
    return _origin.get() or Origin(acting=OPERATOR.name)


@contextmanager
def asked_from(known: Origin) -> Iterator[None]:
    """What is done inside has this origin."""
    before = _origin.set(known)
    try:
        yield
    finally:
        _origin.reset(before)

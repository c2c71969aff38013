"""One connection pool per server, and what an answer means to the agent."""

from __future__ import annotations

import ipaddress
from typing import Any
from urllib.parse import unquote, urlsplit
from urllib.request import getproxies, proxy_bypass

import httpx
import msgspec
import urllib3

from agent.errors import LinkDown, Refused
from service.contract.problem import Problem

# The server is at work or asks to wait; the same request may succeed later.
TRY_LATER = frozenset({408, 425, 429, 500, 502, 503, 504})


def make_client(
    url: str, timeout: float, connections: int, headers: dict[str, str] | None = None
) -> httpx.Client:
    """A pool of HTTP/1.1 connections. Proxy variables are honoured, except for this machine itself."""
    return httpx.Client(
        timeout=httpx.Timeout(timeout, connect=min(timeout, 10.0)),
        limits=httpx.Limits(max_connections=connections, max_keepalive_connections=connections),
        headers=headers,
        trust_env=not is_loopback(url),
        follow_redirects=False,
    )


def make_pool(url: str, timeout: float, connections: int, block: int) -> urllib3.PoolManager:
    """Kept-alive connections for sending large bodies in blocks of `block` bytes; nothing is repeated.

    Proxies and trust are the same as `make_client`'s.
    """
    scheme, host = urlsplit(url).scheme, urlsplit(url).netloc
    settings: dict[str, Any] = {
        "maxsize": connections,
        "block": True,
        "timeout": urllib3.Timeout(connect=min(timeout, 10.0), read=timeout),
        "retries": False,
        "blocksize": block,
    }
    if scheme == "https":
        settings["ssl_context"] = httpx.create_ssl_context()
    proxies = {} if is_loopback(url) or proxy_bypass(host) else getproxies()
    proxy = proxies.get(scheme) or proxies.get("all")
    if proxy is None:
        return urllib3.PoolManager(**settings)
    user = urllib3.util.parse_url(proxy).auth
    return urllib3.ProxyManager(
        proxy,
        proxy_headers=urllib3.make_headers(proxy_basic_auth=unquote(user)) if user else None,
        **settings,
    )


def is_loopback(url: str) -> bool:
    host = urlsplit(url).hostname or ""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def link_down(error: Exception, url: str) -> LinkDown:
    return LinkDown(
        f"{urlsplit(url).netloc} cannot be reached: {error or type(error).__name__}.",
        "Everything read so far is kept on this workstation.",
        "Nothing to do: the agent tries again by itself while it runs.",
    )


def checked(answer: httpx.Response) -> httpx.Response:
    """The answer if it is a success or 304; raises LinkDown for one to be repeated later, else Refused."""
    if answer.is_success or answer.status_code == 304:
        return answer
    problem = _problem(answer)
    detail = problem.detail if problem else f"The answer was {answer.status_code} {answer.reason_phrase}."
    if answer.status_code in TRY_LATER:
        raise LinkDown(
            f"{answer.url.host} cannot serve now: {detail}",
            "Everything read so far is kept on this workstation.",
            "Nothing to do: the agent tries again by itself while it runs.",
        )
    if problem is None:
        raise Refused(answer.status_code, "", detail)
    errors = "; ".join(f"{e.path}: {e.detail}" if e.path else e.detail for e in problem.errors[:5])
    raise Refused(
        answer.status_code,
        problem.type.rpartition(":")[2],
        f"{problem.detail} ({errors})" if errors else problem.detail,
        problem.consequence,
        problem.next_step,
    )


def _problem(answer: httpx.Response) -> Problem | None:
    if "json" not in answer.headers.get("content-type", ""):
        return None
    try:
        return msgspec.json.decode(answer.content, type=Problem)
    except msgspec.DecodeError:
        return None

"""Requests to the identity provider: bounded in time and in size, over TLS, and led to no other address."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from ipaddress import ip_address
from urllib.parse import urlsplit

import httpx

# The whole of a request, from the wait for its turn to the last byte of the answer.
SECONDS = 10
SILENT_SECONDS = 5
# A set of a hundred keys with their certificates stays below.
LARGEST_ANSWER = 262_144
AT_ONCE = 8


class NoAnswer(Exception):
    """The provider could not be asked, or what it sent is no answer; the text says why."""


@dataclass(frozen=True)
class Answer:
    status: int
    content: bytes


def is_loopback(address: str) -> bool:
    """Whether a URL names this machine: then nobody else hears what is sent to it."""
    host = urlsplit(address).hostname or ""
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def is_private(address: str) -> bool:
    """Whether nobody on the way reads what is sent to a URL: https, or http on this machine."""
    scheme = urlsplit(address).scheme
    return scheme == "https" or (scheme == "http" and is_loopback(address))


class Fetching:
    """Sends requests; at most `AT_ONCE` are under way."""

    def __init__(self) -> None:
        self._trusted = ssl.create_default_context()
        self._at_once = asyncio.Semaphore(AT_ONCE)

    async def get(self, address: str, headers: Mapping[str, str] | None = None) -> Answer:
        return await self._sent("GET", address, headers or {}, None)

    async def post(self, address: str, headers: Mapping[str, str], body: str) -> Answer:
        return await self._sent("POST", address, headers, body)

    async def _sent(self, method: str, address: str, headers: Mapping[str, str], body: str | None) -> Answer:
        """Raises NoAnswer. A redirect is an answer like any other and is not followed: what is sent holds
        the client's secret, the code or an access token."""
        # A packed answer could grow beyond all bounds while it is unpacked.
        asked = {"Accept": "application/json", "Accept-Encoding": "identity", **headers}
        client = httpx.AsyncClient(verify=self._trusted, timeout=SILENT_SECONDS, trust_env=False)
        try:
            async with (
                asyncio.timeout(SECONDS),
                self._at_once,
                client,
                client.stream(method, address, headers=asked, content=body) as response,
            ):
                return Answer(response.status_code, await _content(response))
        except TimeoutError as error:
            raise NoAnswer(f"no answer within {SECONDS} s") from error
        except (httpx.HTTPError, httpx.InvalidURL, ssl.SSLError, UnicodeError) as error:
            raise NoAnswer(str(error) or type(error).__name__) from error


async def _content(response: httpx.Response) -> bytes:
    content = bytearray()
    async for piece in response.aiter_raw():
        content += piece
        if len(content) > LARGEST_ANSWER:
            raise NoAnswer(f"an answer of more than {LARGEST_ANSWER} bytes")
    return bytes(content)

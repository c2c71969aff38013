"""How requests and answers look: problem details, conditional requests, keyset pages, headers."""

from __future__ import annotations

import base64
import binascii
import hashlib
import math
import re
from collections.abc import AsyncGenerator, Callable
from functools import lru_cache
from typing import Annotated, Any, TypeVar
from urllib.parse import parse_qsl, quote, urlencode

import msgspec
from litestar import Request, Response
from litestar.datastructures import MutableScopeHeaders
from litestar.enums import ScopeType
from litestar.exceptions import ValidationException
from litestar.params import PathParameter, QueryParameter
from litestar.types import ASGIApp, Empty, Message, Receive, Scope, Send

from service.bodies import Body
from service.contract.wire import DIGEST_PATTERN, Page, new_id
from service.database import NO_SITE, acting_for
from service.errors import ConditionMissing, Malformed, Stale
from service.observe import bind_request
from service.packing import must_be_plain, unpacked

T = TypeVar("T")
AnyRequest = Request[Any, Any, Any]

PageSize = Annotated[int, QueryParameter(ge=1, le=500, description="items per page")]
Cursor = Annotated[str | None, QueryParameter(description="from the Link header of the page before")]
Serial = Annotated[str, PathParameter(max_length=64, description="a serial number, picked or scanned")]
ImageDigest = Annotated[str, PathParameter(pattern=DIGEST_PATTERN, description="SHA-256 of the bytes")]

REQUEST_ID = re.compile(r"^[A-Za-z0-9][A-Za-z0-9._-]{7,63}$")

# RFC 9110 8.8.3: entity-tag = [ "W/" ] DQUOTE *etagc DQUOTE
ENTITY_TAG = re.compile(r'(W/)?"[\x21\x23-\x7e\x80-\xff]*"')


def etag_of(value: Any) -> str:
    """A strong entity tag of anything msgspec can encode: a version number or a whole answer."""
    digest = hashlib.sha256(msgspec.json.encode(value, order="deterministic")).hexdigest()
    return f'"{digest[:32]}"'


def entity_tags(header: str, name: str) -> list[str]:
    """The tags of an If-Match or If-None-Match header, or ["*"]; raises Malformed (RFC 9110 13.1)."""
    text = header.strip(" \t")
    if text == "*":
        return ["*"]
    tags: list[str] = []
    for part in _list_items(text):
        if not ENTITY_TAG.fullmatch(part):
            raise Malformed(
                f"The header {name} is no list of entity tags: {header!r}.",
                next_step=f"Send the ETag of the last answer, quotes included, as {name}.",
            )
        tags.append(part)
    if not tags:
        raise Malformed(f"The header {name} is empty.", next_step=f"Send an entity tag as {name}.")
    return tags


def _list_items(text: str) -> list[str]:
    """Items of a comma list (RFC 9110 5.6.1); quoted strings may hold commas, empty items are dropped."""
    items = re.findall(r'(?:[^,"]|"[^"]*"?)+', text)
    return [item.strip(" \t") for item in items if item.strip(" \t")]


# RFC 7240 4.3: the seconds of the preference `wait`.
WAIT = re.compile(r"wait\s*=\s*\"?(\d{1,4})\"?", re.ASCII)


def patience(request: AnyRequest) -> float | None:
    """How many seconds the caller waits before it would rather be told that the work goes on (Prefer:
    respond-async, wait=SECONDS; RFC 7240 4.1, 4.3); None: until it is done. What is no such preference is
    passed over (RFC 7240 2)."""
    named = [
        preference.partition(";")[0].strip() for preference in _list_items(request.headers.get("prefer", ""))
    ]
    if "respond-async" not in map(str.lower, named):
        return None
    waits = [float(found[1]) for preference in named if (found := WAIT.fullmatch(preference.lower()))]
    return waits[0] if waits else 0.0


def precondition(request: AnyRequest) -> Callable[[str], None]:
    """What If-Match asks for, to be called with the present tag inside the transaction that writes.

    A malformed header raises Malformed (400) at once. The call raises ConditionMissing (428, RFC 6585 3)
    without a header, and Stale (412) for another version.
    """
    header = request.headers.get("if-match")
    tags = None if header is None else entity_tags(header, "If-Match")

    def check(etag: str) -> None:
        if tags is None:
            raise ConditionMissing(
                "The request changes a record and names no version of it.",
                next_step="Read the record and send its ETag as If-Match.",
            )
        # Strong comparison (RFC 9110 13.1.1): a weak tag matches nothing.
        if tags != ["*"] and (etag.startswith("W/") or etag not in tags):
            raise Stale(
                "Somebody changed the record after it was read.",
                next_step="Read it again, look at what changed, and repeat the change.",
            )

    return check


def unchanged(request: AnyRequest) -> Callable[[Any], None]:
    """As `precondition`, but to be called with the record as it stands: its tag is that of its content."""
    check = precondition(request)
    return lambda record: check(etag_of(record))


def tagged(content: T) -> Response[T]:
    """The content with its ETag, which a change of it needs."""
    return Response(content, headers={"ETag": etag_of(content)})


def not_modified(request: AnyRequest, etag: str) -> bool:
    """True when If-None-Match holds `etag`: answer 304. Weak comparison (RFC 9110 13.1.2)."""
    header = request.headers.get("if-none-match")
    if header is None:
        return False
    tags = entity_tags(header, "If-None-Match")
    return tags == ["*"] or etag.removeprefix("W/") in [tag.removeprefix("W/") for tag in tags]


def conditional(request: AnyRequest, content: T, etag: str | None = None) -> Response[T | None]:
    """The content with its ETag (none given: that of the whole content), or 304 without content when the
    caller holds it already."""
    etag = etag or etag_of(content)
    if not_modified(request, etag):
        return Response(None, status_code=304, headers={"ETag": etag})
    return Response(content, headers={"ETag": etag})


def encode_cursor(key: Any) -> str | None:
    """An opaque page cursor of the last row's sort key (anything msgspec can encode); None without one."""
    if key is None:
        return None
    return base64.urlsafe_b64encode(msgspec.json.encode(key)).rstrip(b"=").decode("ascii")


def decode_cursor(cursor: str | None, shape: type[T]) -> T | None:
    """The sort key in a cursor of ours, as `shape` (for example `tuple[datetime, UUID]`); None without
    one; raises Malformed."""
    if cursor is None:
        return None
    try:
        raw = base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True)
        return msgspec.json.decode(raw, type=shape)
    except (binascii.Error, msgspec.DecodeError, ValueError) as error:
        raise Malformed(
            "The page cursor is none of this list's.",
            next_step='Take it unchanged from the Link header (rel="next") of the page before.',
        ) from error


def link_next(request: AnyRequest, key: Any) -> dict[str, str]:
    """The Link header (RFC 8288) that names the next page by the sort key of this one's last row; empty
    without a key: after the last page.

    The target is relative, so that it holds behind any reverse proxy.
    """
    cursor = encode_cursor(key)
    if cursor is None:
        return {}
    kept = parse_qsl(request.scope["query_string"].decode("latin-1"), keep_blank_values=True)
    query = urlencode([*((name, value) for name, value in kept if name != "cursor"), ("cursor", cursor)])
    return {"Link": f'<{quote(request.url.path)}?{query}>; rel="next"'}


def paged(request: AnyRequest, items: list[T], limit: int, key: Callable[[T], Any]) -> Response[Page[T]]:
    """One page of a list. A full one names the next page by the sort key of its last item."""
    last = items[-1] if len(items) == limit else None
    return Response(Page(items=items), headers=link_next(request, None if last is None else key(last)))


class ServiceRequest(Request[Any, Any, Any]):
    """Unpacks a body that was packed; refuses one that is not what its route takes, whatever it is."""

    async def stream(self) -> AsyncGenerator[bytes, None]:
        most = self.route_handler.resolve_request_max_body_size() or math.inf
        # A body that was read before is kept unpacked.
        coding = self.headers.get("content-encoding", "") if self._body is Empty else ""
        if not self.route_handler.opt.get("takes_packed"):
            must_be_plain(coding)
        async for chunk in unpacked(super().stream(), coding, most):
            yield chunk

    async def json(self) -> Any:
        """The body as its route takes it, decoded once and strictly: 0 is no time and "7" is no number.

        The framework would take both. What it is given here has the shape already, and passes as it is.
        """
        if self._json is Empty:
            field = self.route_handler.parsed_data_field
            self._json = _decoded(await self.body(), Any if field is None else field.annotation)
        return self._json


_WHERE = re.compile(r"^(.+?)(?: - at `\$\.?(.+)`)?$", re.DOTALL)


@lru_cache
def _decoder(shape: Any) -> msgspec.json.Decoder[Any]:
    return msgspec.json.Decoder(shape)


def _decoded(body: bytes, shape: Any) -> Any:
    """JSON of a shape; raises Malformed for what is none, ValidationException naming where it is another."""
    try:
        return _decoder(shape).decode(body)
    except msgspec.ValidationError as error:
        found = _WHERE.match(str(error))
        assert found is not None
        fault = {"message": found[1], "key": found[2] or "data", "source": "body"}
        raise ValidationException("The body has another shape.", extra=[fault]) from error
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise Malformed("The body is no JSON in UTF-8, or is nested too deep.") from error


def framed(app: ASGIApp, *, https: bool) -> ASGIApp:
    """The app with a request id, and with headers that keep answers out of frames and caches.

    Wraps the whole app, not single routes, so that answers to unknown paths carry them too.
    """

    async def frame(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != ScopeType.HTTP:
            await app(scope, receive, send)
            return
        request_id, body = _request_id(scope), Body(scope, receive)
        scope["state"]["request_id"] = request_id

        async def send_framed(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableScopeHeaders.from_message(message)
                _add_headers(headers, request_id, https=https)
                if not await body.ended():
                    headers["Connection"] = "close"
            await send(message)

        # Who calls is not known yet, and a request that forgets to say so is for no site.
        with bind_request(request_id), acting_for(NO_SITE):
            await app(scope, body.receive, send_framed)

    return frame


def _request_id(scope: Scope) -> str:
    for name, value in scope["headers"]:
        if name == b"x-request-id" and REQUEST_ID.fullmatch(sent := value.decode("latin-1")):
            return sent
    return str(new_id())


def _add_headers(headers: MutableScopeHeaders, request_id: str, *, https: bool) -> None:
    headers["X-Request-Id"] = request_id
    headers["X-Content-Type-Options"] = "nosniff"
    headers.setdefault("Referrer-Policy", "same-origin")
    headers.setdefault("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
    # With an ETag a copy may be kept and asked about; nothing else is kept.
    headers.setdefault("Cache-Control", "private, no-cache" if "ETag" in headers else "no-store")
    if https:
        headers["Strict-Transport-Security"] = "max-age=31536000"

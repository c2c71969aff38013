"""The object store: bytes under names that say what they are. Any S3 that keeps these promises will do.

The service relies on these promises; tests/store proves each against the store in use:

1. A ticket (presigned PUT) admits one body only: the one whose SHA-256 and size are signed into it.
   Other bytes are refused and nothing is stored under the name.
2. A name is written once: a second PUT is refused with 412, whoever sends it, so an original that is
   there is the original (I1, I2). Only a ticket for a name under which the store holds other bytes, or
   bytes that it cannot give, writes over them (`over`); a bucket with versions keeps the old ones.
3. A ticket is refused after its time by the store's clock; it is signed with that clock's time (clock.py).
4. Bytes that the store answered with 200 are read back unchanged, and `stat` tells their size.
5. Without a signature nothing is read or written.

Originals come in by ticket only; this module writes derived objects and deletes nothing. Beside it:
multipart.py for originals that go by parts, looking.py for looking at many.
"""

from __future__ import annotations

import asyncio
import base64
import binascii
import re
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple, ParamSpec, TypeVar

import boto3
import structlog
from botocore.config import Config
from botocore.exceptions import BotoCoreError, ClientError

from service.contract.wire import CODE_PATTERN
from service.errors import NotFound, Unavailable
from service.objects.clock import SIGNED_BY_US, StoreClock, follow
from service.objects.looking import CONNECT_SECONDS, READ_SECONDS, Answer, Looks
from service.presigning import Presigner

if TYPE_CHECKING:
    from types_boto3_s3 import S3Client

_log = structlog.get_logger(__name__)
P = ParamSpec("P")
T = TypeVar("T")

ORIGINALS = "originals/"
DIGEST = re.compile(r"[0-9a-f]{64}")
SITE = re.compile(CODE_PATTERN)
ATTEMPTS = 4
THREADS = 32
PROBE_SECONDS = 3
STAT_SECONDS = 60
# So many requests are signed at once: each must be sent before its signature is too old.
KEYS_PER_LOOK = 500
TRY_LATER = {429, 500, 502, 503, 504}
ABSENT = {"404", "NoSuchKey", "NotFound"}


@dataclass(frozen=True)
class ObjectSettings:
    """Where the store is. `public_endpoint` is its address for agents and browsers."""

    endpoint: str
    public_endpoint: str
    region: str
    bucket: str
    access_key: str
    secret_key: str


@dataclass(frozen=True)
class PutTicket:
    """One PUT to `url`; every header in `headers` is signed and must be sent as it stands."""

    url: str
    headers: dict[str, str]


@dataclass(frozen=True)
class ObjectStat:
    """`size` in bytes. `sha256_hex` is what the store itself computed when the bytes came in.

    It is None when the store does not tell. Then the name alone speaks for the content: for an original that
    came by ticket the store has compared the bytes with the digest in the name (promise 1), for
    anything else nothing is known but the size.
    """

    size: int
    sha256_hex: str | None
    last_modified: str = field(default="", compare=False)

    @property
    def modified(self) -> datetime | None:
        """When the object came in, or its upload by parts began, by the store's clock, in whole seconds."""
        try:
            return parsedate_to_datetime(self.last_modified).astimezone(UTC)
        except ValueError:
            return None


class Original(NamedTuple):
    """The bytes with this SHA-256 (lower-case hex, I1) as they came in at the site with this code.

    Each site has names of its own, so that the store's answer to a ticket tells nothing of another's bytes.
    The code of a site never changes, and holds nothing that parts a name (wire.CODE_PATTERN).
    """

    site: str
    digest: str

    @property
    def key(self) -> str:
        """The name of the object."""
        if not SITE.match(self.site):
            raise ValueError(f"{self.site!r} is no code of a site.")
        return f"{ORIGINALS}{self.site}/sha256/{_spread(self.digest)}"


def original_of(key: str) -> Original | None:
    """Which original has this name; None for a name that is none of ours."""
    site, digest = key.removeprefix(ORIGINALS).partition("/")[0], key.rpartition("/")[2]
    if not SITE.match(site) or not DIGEST.fullmatch(digest):
        return None
    original = Original(site, digest)
    return original if original.key == key else None


def thumbnail_key(digest_hex: str) -> str:
    """The name of the thumbnail of the original with this SHA-256."""
    return f"derived/thumbnails/sha256/{_spread(digest_hex)}.jpg"


def _spread(digest_hex: str) -> str:
    """Names in 256 prefixes suit stores that keep folders; each further level costs a folder per file."""
    if not DIGEST.fullmatch(digest_hex):
        raise ValueError(f"{digest_hex!r} is not a SHA-256 in lower-case hex.")
    return f"{digest_hex[:2]}/{digest_hex}"


def _base64_of(digest_hex: str) -> str:
    return base64.b64encode(bytes.fromhex(digest_hex)).decode()


def _hex_of(checksum: str | None) -> str | None:
    """Hex of a base64 SHA-256; None for anything else, such as a multipart composite `...-3`."""
    if not checksum:
        return None
    try:
        raw = base64.b64decode(checksum, validate=True)
    except binascii.Error:
        return None
    return raw.hex() if len(raw) == 32 else None


def _client(
    settings: ObjectSettings, clock: StoreClock, *, seconds: int = READ_SECONDS, attempts: int = ATTEMPTS
) -> S3Client:
    client = boto3.client(
        "s3",
        endpoint_url=settings.endpoint,
        region_name=settings.region,
        config=Config(
            signature_version=SIGNED_BY_US,
            # A bucket in the host name would need a name server that knows it.
            s3={"addressing_style": "path"},
            max_pool_connections=THREADS,
            connect_timeout=min(CONNECT_SECONDS, seconds),
            read_timeout=seconds,
            retries={"mode": "standard", "total_max_attempts": attempts},
            # Proxy variables of the machine are for the way out, not for the store.
            proxies={},
        ),
    )
    follow(client, clock, settings.region, settings.access_key, settings.secret_key)
    return client


# Of what is given out, by the end of its name; everything else is bytes.
MEDIA_TYPES = {
    "jpg": "image/jpeg",
    "png": "image/png",
    "tif": "image/tiff",
    "bmp": "image/bmp",
    "mp4": "video/mp4",
}


class Objects:
    """One bucket. Made once per process: the clients keep their connections and are thread-safe."""

    thumbnail_key = staticmethod(thumbnail_key)

    def __init__(self, settings: ObjectSettings) -> None:
        self.settings = settings
        self._threads = ThreadPoolExecutor(THREADS, "objects")
        self.clock = StoreClock()
        self._inner = _client(settings, self.clock)
        # A health check must answer soon, even when the store hangs.
        self._probe = _client(settings, self.clock, seconds=PROBE_SECONDS, attempts=1)
        self._looks = Looks()
        # The host's name is part of what is signed.
        self._sign = self._presigner(settings.endpoint)
        self._sign_public = self._presigner(settings.public_endpoint)

    def _presigner(self, endpoint: str) -> Presigner:
        known = self.settings
        return Presigner(endpoint, known.region, known.access_key, known.secret_key, self.clock.now)

    async def now(self) -> datetime:
        """The store's time, asked for again after an hour; this machine's time when the store tells none.

        Addresses presigned afterwards bear it.
        """
        if not self.clock.fresh:
            await self._in_thread(self._ask_time)
        return self.clock.now()

    def _ask_time(self) -> None:
        # The store refuses a request without a signature, and dates the refusal.
        (answer,) = self._looks.heads([self.settings.endpoint])
        if not answer.status:
            _log.warning("the object store did not tell its time", code=answer.trouble)
        self.clock.learn(answer.headers.get("date"))

    def presign_put(
        self,
        original: Original,
        size: int,
        content_type: str | None = None,
        expires_s: int = 3600,
        *,
        over: bool = False,
    ) -> PutTicket:
        """A ticket to store this original, of this size, once, within `expires_s` seconds.

        The store answers 200 when it holds the bytes, 412 when it held them already (as good), 400 for
        other bytes, 403 for another size, a missing header or a ticket out of time. `over`: the name is known
        to have other bytes, and these take their place instead of 412.
        """
        checksum = _base64_of(original.digest)
        media_type = content_type or "application/octet-stream"
        headers = {
            "x-amz-checksum-sha256": checksum,
            **({} if over else {"If-None-Match": "*"}),
            "Content-Length": str(size),
            "Content-Type": media_type,
        }
        url = self._sign_public.url("PUT", self._path(original.key), expires_s, headers)
        return PutTicket(url, headers)

    def presign_get(self, key: str, filename: str, expires_s: int) -> str:
        """An address that gives the bytes to whoever has it, as `filename`, for `expires_s` seconds. What a
        browser takes them for follows from that name, never from what was said when they came in."""
        safe = re.sub(r"[^A-Za-z0-9._-]", "_", filename)
        query = {
            "response-content-disposition": f'attachment; filename="{safe}"',
            "response-content-type": MEDIA_TYPES.get(safe.rpartition(".")[2], "application/octet-stream"),
        }
        return self._sign_public.url("GET", self._path(key), expires_s, query=query)

    def _path(self, key: str) -> str:
        return f"/{self.settings.bucket}/{key}"

    async def stat(self, key: str) -> ObjectStat | None:
        """What the store says it holds under `key`; None when nothing. Raises Unavailable."""
        return await self._in_thread(self._stat, key)

    async def stat_many(self, keys: Iterable[str], concurrency: int = 16) -> dict[str, ObjectStat | None]:
        """`stat` of each key, `concurrency` at a time; raises Unavailable when one cannot be told."""
        return await self._in_thread(self._stat_many, keys, concurrency)

    async def read(self, key: str) -> bytes:
        """All bytes of the object; raises NotFound, Unavailable."""
        return await self._in_thread(self._read, key)

    async def write(self, key: str, data: bytes, content_type: str) -> None:
        """Store a derived object, over an earlier one of the same name; raises ValueError for an original."""
        if not key.startswith("derived/"):
            raise ValueError(
                f"{key!r} is not a derived object: originals come in by ticket and never change (I2)."
            )
        await self._in_thread(self._write, key, data, content_type)

    async def ready(self) -> bool:
        """True when the store answers and has the bucket."""
        try:
            await self._in_thread(self._probe.head_bucket, Bucket=self.settings.bucket)
        except (BotoCoreError, ClientError):
            return False
        return True

    async def ensure_bucket(self) -> None:
        """Make the bucket, without Object Lock, when it is not there; raises Unavailable."""
        if not await self.ready():
            await self._in_thread(self._make_bucket)

    async def _in_thread(self, work: Callable[P, T], *args: P.args, **more: P.kwargs) -> T:
        # Not the loop's own pool: on two cores that has six threads, shared with everything else.
        return await asyncio.get_running_loop().run_in_executor(self._threads, partial(work, *args, **more))

    def close(self) -> None:
        """Close the connections."""
        self._threads.shutdown()
        self._probe.close()
        self._inner.close()
        self._looks.close()

    def _stat(self, key: str) -> ObjectStat | None:
        return self._stat_many([key])[key]

    def _stat_many(self, keys: Iterable[str], concurrency: int = 1) -> dict[str, ObjectStat | None]:
        found: dict[str, ObjectStat | None] = {}
        distinct = list(dict.fromkeys(keys))
        for start in range(0, len(distinct), KEYS_PER_LOOK):
            self._find(distinct[start : start + KEYS_PER_LOOK], concurrency, found)
        return found

    def _find(self, waiting: list[str], concurrency: int, found: dict[str, ObjectStat | None]) -> None:
        for attempt in range(ATTEMPTS):
            if attempt:
                time.sleep(0.1 * 2**attempt)
            waiting, trouble = self._look(waiting, concurrency, found, first=not attempt)
            if not waiting:
                return
        raise _cannot_look(waiting[0], trouble)

    def _look(
        self, keys: Sequence[str], concurrency: int, found: dict[str, ObjectStat | None], first: bool
    ) -> tuple[list[str], str]:
        """Look at each key once. Stats go into `found`; the result is the keys to look at again, and why."""
        again, trouble = [], ""
        for key, answer in zip(keys, self._heads(keys, concurrency), strict=True):
            self.clock.learn(answer.headers.get("date"))
            if answer.status in (200, 404):
                found[key] = _stat_of(answer)
                continue
            again.append(key)
            trouble = answer.trouble or f"status {answer.status}"
            # The first refusal may be for a wrong time; by now the store's time is known.
            if answer.status and answer.status not in TRY_LATER and not (answer.status == 403 and first):
                raise _cannot_look(key, trouble)
        return again, trouble

    def _heads(self, keys: Sequence[str], concurrency: int) -> list[Answer]:
        headers = {"x-amz-checksum-mode": "ENABLED"}
        urls = [self._sign.url("HEAD", self._path(key), STAT_SECONDS, headers) for key in keys]
        return self._looks.heads(urls, headers, concurrency)

    def _read(self, key: str) -> bytes:
        try:
            return self._inner.get_object(Bucket=self.settings.bucket, Key=key)["Body"].read()
        except (BotoCoreError, ClientError) as error:
            if _is_absent(error):
                raise NotFound(f"The object store has nothing under {key}.") from error
            raise _unavailable(f"read {key}", error) from error

    def _write(self, key: str, data: bytes, content_type: str) -> None:
        try:
            self._inner.put_object(
                Bucket=self.settings.bucket,
                Key=key,
                Body=data,
                ContentType=content_type,
                ChecksumAlgorithm="SHA256",
            )
        except (BotoCoreError, ClientError) as error:
            raise _unavailable(f"write {key}", error) from error

    def _make_bucket(self) -> None:
        more: dict[str, Any] = {}
        if self.settings.region != "us-east-1":
            # The protocol's default region must not be named here, every other must.
            more["CreateBucketConfiguration"] = {"LocationConstraint": self.settings.region}
        try:
            self._inner.create_bucket(Bucket=self.settings.bucket, **more)
        except (BotoCoreError, ClientError) as error:
            if _code(error) != "BucketAlreadyOwnedByYou":
                raise _unavailable(f"make the bucket {self.settings.bucket}", error) from error


def _stat_of(answer: Answer) -> ObjectStat | None:
    if answer.status == 404:
        return None
    checksum = answer.headers.get("x-amz-checksum-sha256")
    modified = answer.headers.get("last-modified", "")
    return ObjectStat(int(answer.headers["content-length"]), _hex_of(checksum), modified)


def _code(error: Exception) -> str:
    return error.response["Error"].get("Code", "") if isinstance(error, ClientError) else ""


def _is_absent(error: Exception) -> bool:
    return _code(error) in ABSENT


def _cannot_look(key: str, reason: str) -> Unavailable:
    """Names the digest and no site: the caller may be of another one than that under whose name it lies."""
    return _unavailable(f"look at {key.rpartition('/')[2]}", reason)


def _unavailable(deed: str, error: Exception | str) -> Unavailable:
    reason = error if isinstance(error, str) else _code(error) or type(error).__name__
    _log.error("the object store failed", deed=deed, code=reason)
    return Unavailable(
        f"The object store did not {deed}.",
        consequence="Nothing that is recorded was changed.",
        next_step="Ask again; if it fails again, tell the administrator.",
    )

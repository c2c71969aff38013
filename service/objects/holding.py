"""Lists, reads back and locks the originals in the store, and deletes an original that nobody names.

Every answer comes with the store's own time (its Date header, RFC 9110 6.6.1; to the second): how old an
object is and how long it stays locked must not hang on the clock of the machine that asks.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from functools import partial
from typing import Any, Literal, ParamSpec, TypeVar

from botocore.exceptions import BotoCoreError, ClientError

from service.objects import (
    ORIGINALS,
    ObjectSettings,
    Original,
    _client,
    _code,
    _is_absent,
    _unavailable,
    original_of,
)
from service.objects.clock import StoreClock

P = ParamSpec("P")
T = TypeVar("T")

Outcome = Literal["sound", "damaged", "missing", "unreadable"]
Mode = Literal["GOVERNANCE", "COMPLIANCE"]

THREADS = 8
CHUNK = 1024 * 1024
# A store lists at most so many at once (Amazon S3 API Reference, ListObjectsV2).
LISTED_AT_ONCE = 1000
# A deletion holds up who would name the object, so it answers soon or counts as not done.
DELETE_SECONDS = 5
# A store may try long for bytes it cannot give; the next audit reads what this one did not.
READ_ATTEMPTS = 2
NO_LOCK = {"ObjectLockConfigurationNotFoundError", "InvalidRequest", "NotImplemented"}
NO_RETENTION = {"NoSuchObjectLockConfiguration", "ObjectLockConfigurationNotFoundError"}


@dataclass(frozen=True, slots=True)
class Listed:
    """One object under originals/. `original` is None for a name that is none of ours."""

    key: str
    original: Original | None
    size: int
    modified: datetime

    @property
    def digest(self) -> str | None:
        return self.original.digest if self.original is not None else None


@dataclass(frozen=True, slots=True)
class Upload:
    """A multipart upload that was begun and neither completed nor aborted."""

    key: str
    upload_id: str
    begun: datetime


@dataclass(frozen=True, slots=True)
class ReadBack:
    """What reading an original back found, at the store's time `at`. `told` says more of what is wrong;
    `kept_version` is an earlier version that the store keeps and that is sound."""

    outcome: Outcome
    at: datetime
    told: str | None = None
    kept_version: str | None = None


@dataclass(frozen=True, slots=True)
class Lock:
    """Until when a version of an original cannot be deleted."""

    mode: Mode
    until: datetime
    version: str


class Holding:
    """One bucket, looked after. Apart from `delete` and `abort` nothing here takes anything away, and no
    byte of an object is ever changed. Every method raises Unavailable when the store does not answer."""

    def __init__(self, settings: ObjectSettings) -> None:
        self.settings = settings
        self._threads = ThreadPoolExecutor(THREADS, "holding")
        clock = StoreClock()
        self._inner = _client(settings, clock)
        self._reader = _client(settings, clock, attempts=READ_ATTEMPTS)
        self._once = _client(settings, clock, seconds=DELETE_SECONDS, attempts=1)

    def close(self) -> None:
        self._threads.shutdown()
        self._inner.close()
        self._reader.close()
        self._once.close()

    async def _in_thread(self, work: Callable[P, T], *args: P.args, **more: P.kwargs) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._threads, partial(work, *args, **more))

    async def clock(self) -> datetime:
        """The store's time."""
        with _or_unavailable("tell its time"):
            return _date(await self._in_thread(self._inner.head_bucket, Bucket=self.settings.bucket))

    async def originals(self) -> AsyncIterator[tuple[list[Listed], datetime]]:
        """Everything under originals/ by name, page by page, each page with the store's time."""
        after = ORIGINALS
        while True:
            with _or_unavailable("list the originals"):
                answer = await self._in_thread(
                    self._inner.list_objects_v2,
                    Bucket=self.settings.bucket,
                    Prefix=ORIGINALS,
                    StartAfter=after,
                    MaxKeys=LISTED_AT_ONCE,
                )
            found = [_listed(item) for item in answer.get("Contents", [])]
            yield found, _date(answer)
            if not found or not answer["IsTruncated"]:
                return
            after = found[-1].key

    async def read_back(self, original: Original, size: int) -> ReadBack:
        """Read an original in a stream and compare size and SHA-256 with what it is named by."""
        return await self._in_thread(self._read_back, original, size)

    async def locks(self) -> bool:
        """True when the bucket has Object Lock."""
        return await self._in_thread(self._locks)

    async def keeps_versions(self) -> bool:
        """True when the bucket keeps versions, so that one of them can be deleted by its id."""
        with _or_unavailable("tell whether it keeps versions"):
            answer = await self._in_thread(self._inner.get_bucket_versioning, Bucket=self.settings.bucket)
        return answer.get("Status") == "Enabled"

    async def lock(self, original: Original, version: str | None = None) -> Lock | None:
        """The lock of an original; None when it has none. Raises FileNotFoundError when it is not there."""
        return await self._in_thread(self._lock, original, version)

    async def retain(
        self, original: Original, mode: Mode, until: datetime, version: str | None = None
    ) -> Lock:
        """Lock an original (a version of it) until `until`, and return the lock that then stands.

        A lock is never shortened or loosened: a longer time or a stricter mode stays. Raises
        FileNotFoundError when the store does not have it.
        """
        return await self._in_thread(self._retain, original, mode, until, version)

    async def delete(self, original: Original) -> bool:
        """Delete every version of an original, each by its id, so that a request which the store carries
        out late cannot take bytes that came in afterwards. False when one of them is locked.

        The caller has made sure that nobody names it (service.custody.actions.sweep).
        """
        return await self._in_thread(self._delete, original)

    async def uploads(self) -> tuple[list[Upload], datetime]:
        """Multipart uploads of originals that are not completed, and the store's time."""
        return await self._in_thread(self._uploads)

    async def abort(self, upload: Upload) -> None:
        """Give up a multipart upload; one that is gone already is as good."""
        await self._in_thread(self._abort, upload)

    def _read_back(self, original: Original, size: int) -> ReadBack:
        found = self._read_version(original, size, None)
        if found.outcome == "sound":
            return found
        return ReadBack(found.outcome, found.at, found.told, self._sound_version(original, size))

    def _read_version(self, original: Original, size: int, version: str | None) -> ReadBack:
        which: dict[str, Any] = {"VersionId": version} if version else {}
        hashed, read = hashlib.sha256(), 0
        answer: Mapping[str, Any] = {}
        try:
            answer = self._reader.get_object(Bucket=self.settings.bucket, Key=original.key, **which)
            with closing(answer["Body"]) as body:
                for chunk in body.iter_chunks(CHUNK):
                    hashed.update(chunk)
                    read += len(chunk)
        except ClientError as error:
            if _is_absent(error):
                return ReadBack("missing", _date(error.response))
            return self._cannot_give(original, _code(error), error)
        except BotoCoreError as error:
            if not answer:
                raise _unavailable(f"read {original.key}", error) from error
            return self._cannot_give(original, f"it broke off after {read} bytes", error)
        if read != size:
            return ReadBack("damaged", _date(answer), f"{read} bytes instead of {size}")
        if hashed.hexdigest() != original.digest:
            return ReadBack("damaged", _date(answer), f"its SHA-256 is {hashed.hexdigest()}")
        return ReadBack("sound", _date(answer))

    def _cannot_give(self, original: Original, why: str, error: Exception) -> ReadBack:
        """The outcome if the store lists the object without giving its bytes; raises Unavailable if not."""
        try:
            answer = self._inner.head_object(Bucket=self.settings.bucket, Key=original.key)
        except (BotoCoreError, ClientError):
            raise _unavailable(f"read {original.key}", error) from error
        return ReadBack("unreadable", _date(answer), f"the store lists it and does not give it: {why}")

    def _sound_version(self, original: Original, size: int) -> str | None:
        for version in self._versions(original)[0]:
            if version["Size"] == size and not version["IsLatest"]:
                found = self._read_version(original, size, version["VersionId"])
                if found.outcome == "sound":
                    return str(version["VersionId"])
        return None

    def _versions(self, original: Original) -> tuple[list[Any], list[Any]]:
        """Versions and delete markers of one original; no other name begins with its name."""
        with _or_unavailable(f"list the versions of {original.key}"):
            answer = self._once.list_object_versions(Bucket=self.settings.bucket, Prefix=original.key)
        return list(answer.get("Versions", [])), list(answer.get("DeleteMarkers", []))

    def _locks(self) -> bool:
        try:
            answer = self._inner.get_object_lock_configuration(Bucket=self.settings.bucket)
        except (BotoCoreError, ClientError) as error:
            if _code(error) in NO_LOCK:
                return False
            raise _unavailable("tell whether the bucket has Object Lock", error) from error
        return answer["ObjectLockConfiguration"].get("ObjectLockEnabled") == "Enabled"

    def _lock(self, original: Original, version: str | None) -> Lock | None:
        key = original.key
        which: dict[str, Any] = {"VersionId": version} if version else {}
        try:
            head = self._inner.head_object(Bucket=self.settings.bucket, Key=key, **which)
            answer = self._inner.get_object_retention(Bucket=self.settings.bucket, Key=key, **which)
        except (BotoCoreError, ClientError) as error:
            if _code(error) in NO_RETENTION:
                return None
            if _is_absent(error):
                raise FileNotFoundError(key) from error
            raise _unavailable(f"tell the lock of {key}", error) from error
        retention = answer["Retention"]
        until = retention["RetainUntilDate"].astimezone(UTC)
        return Lock(
            "COMPLIANCE" if retention["Mode"] == "COMPLIANCE" else "GOVERNANCE", until, head["VersionId"]
        )

    def _retain(self, original: Original, mode: Mode, until: datetime, version: str | None) -> Lock:
        lock = self._lock(original, version)
        if lock is not None:
            until = max(until, lock.until)
            mode = "COMPLIANCE" if "COMPLIANCE" in (mode, lock.mode) else mode
            if (mode, until) == (lock.mode, lock.until):
                return lock
        which: dict[str, Any] = {"VersionId": version} if version else {}
        # A store needs the bypass to put the stricter mode in place of the looser one; nothing is loosened.
        bypass: dict[str, Any] = {"BypassGovernanceRetention": True} if lock and lock.mode != mode else {}
        with _or_unavailable(f"lock {original.key}"):
            self._inner.put_object_retention(
                Bucket=self.settings.bucket,
                Key=original.key,
                Retention={"Mode": mode, "RetainUntilDate": until},
                **which,
                **bypass,
            )
        set_now = self._lock(original, version)
        if set_now is None:
            raise _unavailable(f"lock {original.key}", "it said so and did not")
        return set_now

    def _delete(self, original: Original) -> bool:
        versions, markers = self._versions(original)
        try:
            for version in versions + markers:
                self._once.delete_object(
                    Bucket=self.settings.bucket, Key=version["Key"], VersionId=version["VersionId"]
                )
        except (BotoCoreError, ClientError) as error:
            if _code(error) == "AccessDenied":
                return False
            raise _unavailable(f"delete {original.key}", error) from error
        return True

    def _uploads(self) -> tuple[list[Upload], datetime]:
        found: list[Upload] = []
        more: dict[str, Any] = {}
        while True:
            with _or_unavailable("list the multipart uploads"):
                answer = self._inner.list_multipart_uploads(
                    Bucket=self.settings.bucket, Prefix=ORIGINALS, **more
                )
            found += [Upload(u["Key"], u["UploadId"], u["Initiated"]) for u in answer.get("Uploads", [])]
            if not answer["IsTruncated"]:
                return found, _date(answer)
            more = {"KeyMarker": answer["NextKeyMarker"], "UploadIdMarker": answer["NextUploadIdMarker"]}

    def _abort(self, upload: Upload) -> None:
        try:
            self._once.abort_multipart_upload(
                Bucket=self.settings.bucket, Key=upload.key, UploadId=upload.upload_id
            )
        except (BotoCoreError, ClientError) as error:
            if _code(error) != "NoSuchUpload":
                raise _unavailable(f"abort the upload of {upload.key}", error) from error


@contextmanager
def _or_unavailable(deed: str) -> Iterator[None]:
    """Raise Unavailable, naming `deed`, for what boto3 raises inside."""
    try:
        yield
    except (BotoCoreError, ClientError) as error:
        raise _unavailable(deed, error) from error


def _date(answer: Mapping[str, Any]) -> datetime:
    date = answer["ResponseMetadata"]["HTTPHeaders"].get("date")
    if date is None:
        raise _unavailable("tell its time", "no Date header")
    return parsedate_to_datetime(date).astimezone(UTC)


def _listed(item: Mapping[str, Any]) -> Listed:
    return Listed(item["Key"], original_of(item["Key"]), item["Size"], item["LastModified"])

"""Making the bucket for originals: it keeps versions and has Object Lock, so that they can be locked.

No default retention is set: the service locks each original by the policy of its sites.
"""

from __future__ import annotations

import time
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from botocore.exceptions import BotoCoreError, ClientError

from service.errors import NotAllowed, Unavailable
from service.objects import ObjectSettings, _client, _code, _is_absent
from service.objects.clock import StoreClock

if TYPE_CHECKING:
    from types_boto3_s3 import S3Client

AGAIN_S = 1
# Error codes of a store that knows no Object Lock at all.
UNKNOWN = {"ObjectLockConfigurationNotFoundError", "InvalidRequest", "NotImplemented", "MethodNotAllowed"}


@dataclass(frozen=True, slots=True)
class Bucket:
    """How a bucket stands. `made`: just made; `changed`: versions or Object Lock were just turned on."""

    name: str
    made: bool
    changed: bool
    versions: bool
    locks: bool

    def text(self) -> str:
        was = "was made" if self.made else "was there; versions and Object Lock were turned on"
        if not self.made and not self.changed:
            was = "was there and is left as it is"
        versions = "keeps versions" if self.versions else "keeps no versions"
        locks = "has Object Lock" if self.locks else "has no Object Lock"
        return f"Bucket {self.name} {was}: it {versions} and {locks}."


def prepare_bucket(settings: ObjectSettings, *, lock: bool = False, wait_s: float = 0) -> Bucket:
    """Make the bucket when it is not there; `lock` turns on what an existing one lacks.

    Raises Unavailable when the store does not answer within `wait_s` seconds, NotAllowed when it refuses.
    """
    with closing(_client(settings, StoreClock(), attempts=1)) as client:
        made = False
        if not _answers(client, settings, wait_s):
            made = _make(client, settings)
        versions, locks = _standing(client, settings)
        changed = lock and not (versions and locks)
        if changed:
            _turn_on(client, settings)
            versions, locks = _standing(client, settings)
        return Bucket(settings.bucket, made, changed and not made, versions, locks)


def _answers(client: S3Client, settings: ObjectSettings, wait_s: float) -> bool:
    """True when the bucket is there, False when the store says it is not."""
    deadline = time.monotonic() + wait_s
    while True:
        try:
            client.head_bucket(Bucket=settings.bucket)
            return True
        except (BotoCoreError, ClientError) as error:
            if _is_absent(error) or _code(error) == "NoSuchBucket":
                return False
            if time.monotonic() >= deadline:
                raise _refused(settings, f"show the bucket {settings.bucket}", error) from error
        time.sleep(AGAIN_S)


def _make(client: S3Client, settings: ObjectSettings) -> bool:
    """Make the bucket; False when somebody else made it meanwhile."""
    more: dict[str, Any] = {}
    if settings.region != "us-east-1":
        # The protocol's default region must not be named here, every other must.
        more["CreateBucketConfiguration"] = {"LocationConstraint": settings.region}
    try:
        client.create_bucket(Bucket=settings.bucket, ObjectLockEnabledForBucket=True, **more)
    except (BotoCoreError, ClientError) as error:
        if _code(error) != "BucketAlreadyOwnedByYou":
            raise _refused(settings, f"make the bucket {settings.bucket}", error) from error
        return False
    return True


def _standing(client: S3Client, settings: ObjectSettings) -> tuple[bool, bool]:
    """Whether the bucket keeps versions, and whether it has Object Lock."""
    try:
        versions = client.get_bucket_versioning(Bucket=settings.bucket).get("Status") == "Enabled"
    except (BotoCoreError, ClientError) as error:
        raise _refused(settings, "tell whether the bucket keeps versions", error) from error
    try:
        locking = client.get_object_lock_configuration(Bucket=settings.bucket)["ObjectLockConfiguration"]
    except (BotoCoreError, ClientError) as error:
        if _code(error) in UNKNOWN:
            return versions, False
        raise _refused(settings, "tell whether the bucket has Object Lock", error) from error
    return versions, locking.get("ObjectLockEnabled") == "Enabled"


def _turn_on(client: S3Client, settings: ObjectSettings) -> None:
    try:
        client.put_bucket_versioning(Bucket=settings.bucket, VersioningConfiguration={"Status": "Enabled"})
        client.put_object_lock_configuration(
            Bucket=settings.bucket, ObjectLockConfiguration={"ObjectLockEnabled": "Enabled"}
        )
    except (BotoCoreError, ClientError) as error:
        raise _refused(settings, "turn on versions and Object Lock of the bucket", error) from error


def _refused(settings: ObjectSettings, deed: str, error: Exception) -> Unavailable | NotAllowed:
    code = _code(error)
    if code in ("", "500", "502", "503", "504", "ServiceUnavailable", "SlowDown"):
        return Unavailable(
            f"The object store at {settings.endpoint} does not answer: {code or type(error).__name__}.",
            consequence=f"Nothing is known of the bucket {settings.bucket}; nothing was changed.",
            next_step="Start it, or correct SIGHTLEDGER_S3_ENDPOINT; then run this again.",
        )
    return NotAllowed(
        f"The object store at {settings.endpoint} refused to {deed}: {code}.",
        consequence="Nothing was changed.",
        next_step="Check SIGHTLEDGER_S3_BUCKET, and what the keys in SIGHTLEDGER_S3_ACCESS_KEY may do.",
    )

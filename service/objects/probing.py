"""Checks that the store takes a picture, by writing an object beside the originals and deleting it."""

from __future__ import annotations

import os
from typing import TypedDict
from uuid import uuid4

import structlog
from botocore.exceptions import ClientError

from service.objects import Objects, _code

PREFIX = "probes/"
# Larger than most pictures: a store with a full disk was seen to take smaller objects.
SIZE = 512 * 1024
REFUSED = {"AccessDenied", "MethodNotAllowed", "InvalidRequest"}

_log = structlog.get_logger(__name__)


class _Version(TypedDict, total=False):
    VersionId: str


class StoreProbe:
    """Writes under a name of its own, so that two probes never write over each other."""

    def __init__(self, objects: Objects) -> None:
        self._objects = objects
        self._bucket, self._key = objects.settings.bucket, f"{PREFIX}{uuid4().hex}"
        self._kept = False

    async def takes_writes(self) -> bool:
        """True when the store took the object. Raises what boto3 raises when it did not."""
        if not self._kept:
            await self._objects._in_thread(self._write_and_delete)
        return True

    def _write_and_delete(self) -> None:
        client = self._objects._probe
        written = client.put_object(Bucket=self._bucket, Key=self._key, Body=os.urandom(SIZE))
        # Where the store keeps versions, a deletion without the version would leave the probe below a marker.
        version: _Version = {"VersionId": written["VersionId"]} if "VersionId" in written else {}
        try:
            client.delete_object(Bucket=self._bucket, Key=self._key, **version)
        except ClientError as error:
            if _code(error) not in REFUSED:
                raise
            # A bucket that keeps everything for a time would fill with probes: this one stays the only one.
            self._kept = True
            _log.error("the store keeps the probe; whether it takes writes is not tried again", key=self._key)

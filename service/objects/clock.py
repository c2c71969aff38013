"""The time at the store. The store alone judges how old a signature is, so signatures bear its time.

The time is learnt from the Date header of each answer, and carried on by a counter that nobody sets: this
machine's clock may be wrong, or be put right, without a ticket being refused or lasting too long.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import TYPE_CHECKING, Any

from botocore import UNSIGNED
from botocore.auth import SIGV4_TIMESTAMP, S3SigV4Auth
from botocore.credentials import Credentials

if TYPE_CHECKING:
    from types_boto3_s3 import S3Client

# The counter that goes on while the machine sleeps, where the system has one.
_COUNTER = getattr(time, "CLOCK_BOOTTIME", None)
LEARN_AGAIN_S = 3600
# A Date has whole seconds and an answer takes a moment: less than this is no news.
NEWS = timedelta(seconds=30)
SKEWED = "RequestTimeTooSkewed"


def _count() -> float:
    """Seconds since some fixed moment."""
    return time.monotonic() if _COUNTER is None else time.clock_gettime(_COUNTER)


class StoreClock:
    """The store's time; this machine's until an answer has told it."""

    def __init__(self) -> None:
        self._learnt: tuple[datetime, float] | None = None

    def now(self) -> datetime:
        """The time in UTC, to about a second."""
        if self._learnt is None:
            return datetime.now(UTC)
        then, at = self._learnt
        return then + timedelta(seconds=_count() - at)

    @property
    def fresh(self) -> bool:
        """Whether the store has told its time within the last hour."""
        return self._learnt is not None and _count() - self._learnt[1] < LEARN_AGAIN_S

    def learn(self, date: str | None) -> bool:
        """Take the time from a Date header (RFC 9110 6.6.1); True when it was news. Other text is ignored."""
        try:
            store_time = parsedate_to_datetime(date or "")
        except ValueError:
            return False
        if store_time.tzinfo is None:
            return False
        was = self.now()
        self._learnt = store_time.astimezone(UTC), _count()
        return abs(store_time - was) > NEWS


class _Signature(S3SigV4Auth):
    def __init__(self, credentials: Credentials, region: str, clock: StoreClock) -> None:
        super().__init__(credentials, "s3", region)
        self._clock = clock

    def _modify_request_before_signing(self, request: Any) -> None:
        # The base class has just written this machine's time there, and reads it from there from now on.
        request.context["timestamp"] = self._clock.now().strftime(SIGV4_TIMESTAMP)
        super()._modify_request_before_signing(request)  # type: ignore[misc]


# For Config(signature_version=...): boto3 signs nothing, `follow` does.
SIGNED_BY_US = UNSIGNED


def follow(client: S3Client, clock: StoreClock, region: str, access_key: str, secret_key: str) -> None:
    """Sign what `client` sends by the store's time, learn from its answers, and repeat once what was refused
    for its time. boto3 itself signs by this machine's time and does not mend it.

    The client is made with `SIGNED_BY_US`.
    """
    signature = _Signature(Credentials(access_key, secret_key), region, clock)

    def sign(request: Any, **_: Any) -> None:
        signature.add_auth(request)

    def heard(response: Any, attempts: int, **_: Any) -> float | None:
        if response is None:
            return None
        answer, parsed = response
        news = clock.learn(answer.headers.get("Date"))
        refused = answer.status_code == 403 and (news or parsed.get("Error", {}).get("Code") == SKEWED)
        return 0 if refused and attempts == 1 else None

    client.meta.events.register("before-sign.s3", sign)
    client.meta.events.register_first("needs-retry.s3", heard)  # type: ignore[arg-type]

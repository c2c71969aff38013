"""Checks of plan documents that come over HTTP: who may ask, and how many at once."""

from __future__ import annotations

import asyncio
from concurrent.futures import Future, ThreadPoolExecutor
from uuid import UUID

from service.access.rules import Act, Caller
from service.errors import NotAllowed, TooMany, Unavailable
from service.plans.document import Checked, check_bytes

# A check of the largest document takes about two seconds of the processor.
AT_ONCE = 2
RETRY_AFTER_S = 3


class Checks:
    """The checks of one process. They run in threads of their own, so that nothing else waits for one."""

    def __init__(self) -> None:
        self._threads = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="plan check")
        self._asking: set[UUID] = set()

    async def check(self, caller: Caller, raw: bytes) -> Checked:
        """The document in `raw`, or what is wrong with it. Raises NotAllowed for whoever neither writes nor
        approves plans, TooMany while another check of the same caller runs, Unavailable while too many run.
        """
        may_check(caller)
        if caller.id in self._asking:
            raise TooMany(
                "Another plan document of yours is being checked.",
                retry_after_s=RETRY_AFTER_S,
                next_step="Send one document after the other.",
            )
        if len(self._asking) >= AT_ONCE:
            raise Busy(
                "Other plan documents are being checked.",
                next_step="Send it again in some seconds, or run `sightledger plan check FILE`.",
            )
        self._asking.add(caller.id)
        running = self._threads.submit(check_bytes, raw, "document")
        # Whoever goes away meanwhile has asked until the check is over.
        loop = asyncio.get_running_loop()
        running.add_done_callback(lambda done: self._over(loop, caller.id, done))
        return await asyncio.wrap_future(running)

    def _over(self, loop: asyncio.AbstractEventLoop, caller_id: UUID, _done: Future[Checked]) -> None:
        if not loop.is_closed():
            loop.call_soon_threadsafe(self._asking.discard, caller_id)

    def close(self) -> None:
        self._threads.shutdown(cancel_futures=True)


class Busy(Unavailable):
    slug, title = "busy", "The service is busy with other requests of this kind"
    retry_after_s = RETRY_AFTER_S


def may_check(caller: Caller) -> None:
    """Raises NotAllowed."""
    if not (caller.may(Act.WRITE_PLAN) or caller.may(Act.APPROVE_PLAN)):
        raise NotAllowed(
            f"{caller.name} may neither write nor approve plans.",
            next_step="Ask an administrator which role the work needs.",
        )

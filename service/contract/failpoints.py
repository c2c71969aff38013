"""Named points between two steps of which the second must not be needed for the first to count.

A test sets SIGHTLEDGER_FAILPOINT to `name` or `name:n`; the process then ends without warning, as by a
power cut, the first (n-th) time it comes by. Without the variable a point costs one comparison. The lists
are complete: tests/failpoints.py ends a process at each of them.
"""

from __future__ import annotations

import os
import signal

AGENT = (
    "read.opened",  # the return is in the outbox, no file is read
    "spool.written",  # bytes lie beside, without their name
    "spool.renamed",  # bytes lie under their digest, the folder is not synced
    "read.settled",  # bytes are synced, no row names them
    "read.journalled",  # the journal has the files, the outbox has not
    "read.batch",  # some files are in the outbox, others are not read
    "read.ending",  # all files are in, the return is not closed
    "read.closed",  # the return is closed, nothing is sent
    "push.opened",  # the service knows of the return, no row here says so
    "push.part",  # a part of the manifest is sent
    "push.stored",  # one object is in the store
    "push.sent",  # every object is in the store, nothing is committed
    "push.committed",  # the service has signed, the answer is not looked at
    "push.verified",  # the receipt is checked, not noted
    "push.held",  # the receipt is noted, copies are not pruned
)
SERVICE = (
    "part.opened",  # the return that a part brings is open, the part is not kept
    "part.kept",  # a part is committed, its answer not sent
    "commit.verified",  # every object was seen, no row is written
    "commit.written",  # rows are written, nothing is committed
    "commit.done",  # rows and receipt are committed, the answer is not sent
    "large.begun",  # the store has begun a multipart upload that no row names
    "large.assembled",  # the store has put the parts together, no row says so
    "large.verified",  # the worker has read the object back, no row says so
)

_name, _, _count = os.environ.get("SIGHTLEDGER_FAILPOINT", "").partition(":")
_left = int(_count or 1)


def reach(point: str) -> None:
    """End the process here when a test asked for it."""
    global _left
    if point != _name:
        return
    _left -= 1
    if _left == 0:
        # Windows has no SIGKILL; its terminate is as sudden.
        os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))

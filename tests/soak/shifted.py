"""The agent's command under a clock that a file shifts while it runs: OFFSET_FILE ARGUMENTS...

The file holds seconds. Shifted are time.time, the agent's `now` and the time in new ids; monotonic clocks
are not, as on a machine whose clock is set.
"""

from __future__ import annotations

import datetime
import sys
import time
from pathlib import Path
from uuid import UUID

import uuid_utils.compat

import agent.clock
import service.contract.wire

LOOK_EVERY = 0.2


class _Offset:
    def __init__(self, file: Path) -> None:
        self._file, self._looked, self._seconds = file, -LOOK_EVERY, 0.0
        self.true_time = time.time

    def now(self) -> float:
        at = time.monotonic()
        if at >= self._looked + LOOK_EVERY:
            self._looked, self._seconds = at, float(self._file.read_text() or 0)
        return self.true_time() + self._seconds


def _shift(offset: _Offset) -> None:
    """Before any other module of the agent takes the names it uses."""

    def new_id() -> UUID:
        return uuid_utils.compat.uuid7(nanoseconds=int(offset.now() * 1e9))

    time.time = offset.now
    agent.clock.now = lambda: datetime.datetime.fromtimestamp(offset.now(), datetime.UTC)
    service.contract.wire.new_id = new_id


if __name__ == "__main__":
    _shift(_Offset(Path(sys.argv.pop(1))))
    from agent.__main__ import main

    main()

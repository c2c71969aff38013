"""Ends requests that wait too long, whatever dribbles in meanwhile, and all of them after a sleep.

A socket's own time limit starts again with each byte. So each request is entered here; one thread looks every
second and shuts down the socket of any that is past its time, which ends the call that waits on it.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from typing import Any

LOOK_EVERY = 1.0
# Not having run for this long means that the computer slept: what the far end still knows is anyone's guess.
SLEPT = 10.0
IDLE_LOOKS = 5


def steady() -> float:
    """Seconds that never jump with the clock; where the system can tell, a sleep counts as well."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if boot is None else time.clock_gettime(boot)


class Watch:
    def __init__(self) -> None:
        self._until: dict[Any, float] = {}
        self._cut: set[Any] = set()
        self._guard = threading.Lock()
        self._watching = False

    def begin(self, connection: Any, seconds: float = float("inf")) -> None:
        """`connection.sock` is shut down unless `end` comes within so many seconds."""
        with self._guard:
            self._until[connection] = steady() + seconds
            if not self._watching:
                self._watching = True
                threading.Thread(target=self._look, name="watch", daemon=True).start()

    def end(self, connection: Any) -> bool:
        """The request is over; True when it was ended from here, and what came of its answer is no answer."""
        # One step of the interpreter: no lock for what each file does.
        self._until.pop(connection, None)
        if connection not in self._cut:
            return False
        self._cut.discard(connection)
        return True

    def _look(self) -> None:
        idle, looked = 0, steady()
        while idle < IDLE_LOOKS or not self._may_end():
            time.sleep(LOOK_EVERY)
            at = steady()
            slept, looked = at - looked > SLEPT, at
            with self._guard:
                late = [one for one, until in list(self._until.items()) if slept or until < at]
                idle = 0 if self._until else idle + 1
            for connection in late:
                self._cut.add(connection)
                shut_down(connection)

    def _may_end(self) -> bool:
        with self._guard:
            self._watching = bool(self._until)
            return not self._watching


def shut_down(connection: Any) -> None:
    """Both directions, under the TLS layer, which must not be touched from another thread."""
    end = connection.sock
    if isinstance(end, socket.socket):
        with contextlib.suppress(OSError):
            socket.socket.shutdown(end, socket.SHUT_RDWR)


WATCH = Watch()

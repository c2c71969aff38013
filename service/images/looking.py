"""Bytes from outside are taken apart in a process of their own (service/images/child.py), bounded here.

A picture that breaks that process, or takes too long, costs this picture its thumbnail and nothing else.
"""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from contextlib import suppress
from typing import IO

import msgspec
import structlog

from service.images.child import LENGTH, SECONDS, Ready
from service.images.rules import LONG_SIDE, Look

# A picture of ordinary size takes hundredths of a second; a machine may be busy with other things.
LONGEST_S = 30.0
START_S = 60.0
TOO_LATE = f"it takes longer to decode than is given to one picture ({SECONDS} s of the processor)"
PER_CHILD = 500
# A thumbnail and some Exif. A child that was taken over could say anything.
MOST_ANSWERED = 4 * LONG_SIDE * LONG_SIDE

log = structlog.get_logger(__name__)


class NoChild(Exception):
    """The process that looks at pictures cannot be started; no picture is to blame."""


class _Ended(Exception):
    """The process ended over a picture; the text says how. `late`: it took too long."""

    def __init__(self, how: str, *, late: bool = False) -> None:
        super().__init__(how)
        self.late = late


class Looker:
    """Looks at one picture at a time, from any thread. `close` ends the process."""

    def __init__(self, longest_s: float = LONGEST_S) -> None:
        self._longest_s = longest_s
        self._child: subprocess.Popen[bytes] | None = None
        self._looked = 0
        self._told = self._closed = False
        self._lock = threading.Lock()

    def look(self, original: bytes) -> Look:
        """What is in the bytes. Raises NoChild; whatever else goes wrong is the answer's `why`."""
        with self._lock:
            while True:
                fresh = self._child is None
                child = self._child or self._start()
                try:
                    found = self._asked(child, original)
                except _Ended as error:
                    self._end()
                    if (fresh or error.late) and not self._closed:
                        return Look(why=str(error))
                    # What it looked at before may be to blame: the next try is the picture's own.
                    continue
                self._looked += 1
                if self._looked >= PER_CHILD:
                    self._end()
                return found

    def close(self) -> None:
        """Whoever waits for an answer gets NoChild."""
        self._closed = True
        if (child := self._child) is not None:
            child.kill()
        with self._lock:
            self._end()

    def _start(self) -> subprocess.Popen[bytes]:
        if self._closed:
            raise NoChild("nobody looks at pictures any more")
        try:
            child = subprocess.Popen(
                [sys.executable, "-I", "-m", "service.images.child"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={},
                cwd="/",
                start_new_session=True,
            )
        except OSError as error:
            raise NoChild(f"no process could be started: {error.strerror}") from error
        self._child, self._looked = child, 0
        try:
            ready = msgspec.msgpack.decode(self._within(START_S, child, None), type=Ready)
        except (_Ended, msgspec.DecodeError) as error:
            self._end()
            raise NoChild(f"the process that looks at pictures did not start: {error}") from error
        if not ready.alone and not self._told:
            self._told = True
            log.warning("pictures are looked at without a network namespace: the system allows none here")
        return child

    def _asked(self, child: subprocess.Popen[bytes], original: bytes) -> Look:
        answer = self._within(self._longest_s, child, original)
        try:
            found = msgspec.msgpack.decode(answer, type=Look)
        except msgspec.DecodeError as error:
            raise _Ended("the process that decoded it gave no answer that could be read") from error
        if found.small is not None and not found.small.startswith(b"\xff\xd8\xff"):
            raise _Ended("the process that decoded it gave no answer that could be read")
        return found

    def _within(self, seconds: float, child: subprocess.Popen[bytes], original: bytes | None) -> bytes:
        """The next answer, to a picture where one is given. A child that is too slow is killed."""
        assert child.stdin is not None
        assert child.stdout is not None
        late = threading.Event()
        timer = threading.Timer(seconds, _kill, (child, late))
        timer.start()
        try:
            if original is not None:
                # A child that ended takes nothing; what it answered says more.
                with suppress(OSError):
                    child.stdin.write(LENGTH.pack(len(original)))
                    child.stdin.write(original)
                    child.stdin.flush()
            return _answer(child.stdout)
        except _Ended as error:
            child.kill()
            code = child.wait()
            too_late = late.is_set() or code == -signal.SIGXCPU
            raise _Ended(TOO_LATE if too_late else _how(code, str(error)), late=too_late) from error
        finally:
            timer.cancel()

    def _end(self) -> None:
        child, self._child = self._child, None
        if child is not None:
            child.kill()
            child.wait()
            for end in (child.stdin, child.stdout):
                # What was still to be written goes nowhere.
                with suppress(OSError):
                    if end is not None:
                        end.close()


def _answer(answers: IO[bytes]) -> bytes:
    head = answers.read(LENGTH.size)
    if len(head) < LENGTH.size:
        raise _Ended("ended without an answer")
    (length,) = LENGTH.unpack(head)
    if length > MOST_ANSWERED:
        raise _Ended("gave an answer that is too long")
    answer = answers.read(length)
    if len(answer) < length:
        raise _Ended("ended within its answer")
    return answer


def _kill(child: subprocess.Popen[bytes], late: threading.Event) -> None:
    late.set()
    child.kill()


def _how(code: int, otherwise: str) -> str:
    """Why there is no answer, in words for those who miss a thumbnail."""
    if code in (0, -signal.SIGKILL):
        return f"the process that decoded it {otherwise}"
    return f"it broke the process that decoded it (signal {-code})"

"""Child processes that end with the one who started them, however that ends."""

from __future__ import annotations

import fcntl
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from deploy.embedded.warden import clear

WARDEN = Path(__file__).with_name("warden.py")


class StartError(Exception):
    """A process could not be started or did not become ready; the text names its log."""


class Child:
    """A running command under a warden (warden.py).

    The command gets `stop_signal` when `stop` is called, when this object is lost or when this process
    dies in any way, and SIGKILL `patience` seconds later. It does not see Ctrl-C of the terminal. Then
    the paths in `remove` are deleted; the lock is let go as soon as it is gone. As root, `user`
    (uid, gid) drops to that user.
    """

    def __init__(
        self,
        command: Sequence[str | Path],
        *,
        log: Path,
        environment: Mapping[str, str] | None = None,
        folder: Path | None = None,
        user: tuple[int, int] | None = None,
        stop_signal: signal.Signals = signal.SIGTERM,
        patience: float = 10,
        remove: Sequence[Path] = (),
        lock: int | None = None,
    ) -> None:
        log.parent.mkdir(parents=True, exist_ok=True)
        self.log = log
        self._patience = patience
        self._remove = [str(path.absolute()) for path in remove]
        order = {
            "command": [str(word) for word in command],
            "log": str(log.absolute()),
            "folder": str(folder.absolute()) if folder else None,
            "uid": user[0] if user else None,
            "gid": user[1] if user else None,
            "stop_signal": int(stop_signal),
            "patience": patience,
            "remove": self._remove,
        }
        self._warden = subprocess.Popen(
            [sys.executable, "-I", "-S", WARDEN, json.dumps(order)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=None if environment is None else dict(environment),
            start_new_session=True,
            pass_fds=() if lock is None else (lock,),
        )
        assert self._warden.stdout is not None
        with self._warden.stdout as told:
            answer = told.readline().decode().strip()
        if not answer.isdigit():
            self.stop()
            raise StartError(f"{command[0]} could not be started: {answer.removeprefix('! ')}")
        self.pid = int(answer)

    def poll(self) -> int | None:
        """None while the command runs; then its exit status, 128 + N when signal N ended it."""
        return self._warden.poll()

    def runs(self) -> bool:
        return self.poll() is None

    def kill(self) -> None:
        """End the command at once with SIGKILL, as a crash would; returns when it is gone."""
        os.kill(self.pid, signal.SIGKILL)
        self.stop()

    def stop(self) -> None:
        """Ask the command to end and return when it is gone; again is harmless."""
        if self._warden.stdin is not None:
            self._warden.stdin.close()
        self._warden.wait(self._patience + 10)
        clear(self._remove)

    def said(self, lines: int = 15) -> str:
        """The last lines of its log."""
        return "\n".join(self.log.read_text(errors="replace").splitlines()[-lines:])


def lock_folder(folder: Path, patience: float = 30) -> int:
    """An open, locked file descriptor of folder/lock; waits for an earlier run that is still stopping.

    Hand it to Child, whose warden keeps it until the command is gone, then close it here.
    Raises StartError when another run holds the folder for longer than `patience` seconds.
    """
    descriptor = os.open(folder / "lock", os.O_RDWR | os.O_CREAT, 0o600)
    deadline = time.monotonic() + patience
    while True:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return descriptor
        except BlockingIOError:
            if time.monotonic() > deadline:
                os.close(descriptor)
                raise StartError(
                    f"{folder} is in use by another run. Nothing was changed. "
                    "Stop that run, or use another folder."
                ) from None
        except BaseException:
            os.close(descriptor)
            raise
        time.sleep(0.1)

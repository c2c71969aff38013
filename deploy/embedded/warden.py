"""Runs one command and outlives nobody: when the starter's pipe closes, the command is stopped.

Started as a plain script by processes.py, with nothing of the project imported, so that it is up in
some 20 ms. Standard input is a pipe that only the starter holds: its end is the request to stop,
whether the starter closed it, was killed or crashed. The first line of standard output is the pid of
the command, or `! ` and the reason why it could not be started.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import select
import shutil
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

PR_SET_PDEATHSIG = 1
# The warden outlasts these; a signal that is ignored stays so over exec (signal(7)), unless it is set back.
IGNORED = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


def _die_with_warden(stop_signal: int) -> None:
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, stop_signal)


def _prepare(order: dict[str, Any]) -> None:
    for number in IGNORED:
        signal.signal(number, signal.SIG_DFL)
    if order["uid"] is not None:
        os.setgroups([])
        os.setgid(order["gid"])
        os.setuid(order["uid"])
    # After setuid: the kernel forgets the death signal when credentials change.
    _die_with_warden(order["stop_signal"])


def _start(order: dict[str, Any]) -> subprocess.Popen[bytes]:
    with open(order["log"], "ab") as log:  # noqa: PTH123
        return subprocess.Popen(
            order["command"],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            cwd=order["folder"],
            process_group=0,
            # Safe here: this process has one thread.
            preexec_fn=lambda: _prepare(order),
        )


def _tell_when_gone(child: subprocess.Popen[bytes], tell: int) -> None:
    child.wait()
    os.close(tell)


def _wait(child: subprocess.Popen[bytes], order: dict[str, Any]) -> bool:
    """Wait until the command is gone; False when it ended by itself and not because it was asked to."""
    ended, tell = os.pipe()
    threading.Thread(target=_tell_when_gone, args=(child, tell), daemon=True).start()
    readable, _, _ = select.select([0, ended], [], [])
    asked = ended not in readable
    if asked:
        child.send_signal(order["stop_signal"])
        if not select.select([ended], [], [], order["patience"])[0]:
            child.kill()
    child.wait()
    return asked


def clear(paths: list[str]) -> None:
    for path in map(Path, paths):
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)


def _tell(answer: str) -> None:
    # A starter that died meanwhile is no error here: the end of its pipe is seen next.
    with contextlib.suppress(BrokenPipeError):
        os.write(1, f"{answer}\n".encode())
    os.close(1)


def main() -> int:
    order = json.loads(sys.argv[1])
    for number in IGNORED:
        signal.signal(number, signal.SIG_IGN)
    try:
        child = _start(order)
    except (OSError, subprocess.SubprocessError) as error:
        _tell(f"! {error}")
        return 127
    _tell(str(child.pid))
    asked = _wait(child, order)
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(child.pid, signal.SIGKILL)
    if asked:
        clear(order["remove"])
    return child.returncode if child.returncode >= 0 else 128 - child.returncode


if __name__ == "__main__":
    sys.exit(main())

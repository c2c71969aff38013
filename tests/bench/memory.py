"""The most memory a process has had, and a command run to its end while that is watched."""

from __future__ import annotations

import re
import subprocess
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

PEAK = re.compile(r"VmHWM:\s+(\d+) kB")
LOOK_EVERY = 0.05
MOST_OF_AGENT = 150.0


def peak(pid: int) -> float:
    """In MB, what the kernel counted so far (proc(5), VmHWM); 0 when the process is gone."""
    try:
        found = PEAK.search(Path(f"/proc/{pid}/status").read_text())
    except OSError:
        return 0.0
    return int(found[1]) / 1024 if found else 0.0


def under(pid: int) -> Iterator[int]:
    """The process and all its children."""
    yield pid
    for task in Path(f"/proc/{pid}/task").iterdir():
        for child in (task / "children").read_text().split():
            yield from under(int(child))


@contextmanager
def watched(running: subprocess.Popen[str] | subprocess.Popen[bytes]) -> Iterator[list[float]]:
    """The most memory of a process in MB, as the one item of a list, complete after the block.

    Looked at from a thread: the end is seen at once, so that this may be timed. Raises AssertionError when
    it failed or took too much.
    """
    most, over = [0.0], threading.Event()

    def look() -> None:
        while not over.wait(LOOK_EVERY):
            most[0] = max(most[0], peak(running.pid))

    watching = threading.Thread(target=look, daemon=True)
    watching.start()
    try:
        yield most
        running.wait()
    finally:
        over.set()
        watching.join()
    if running.returncode:
        raise AssertionError(f"{running.args!r} ended with {running.returncode}.")
    if most[0] >= MOST_OF_AGENT:
        raise AssertionError(f"The agent took {most[0]:.0f} MB; {MOST_OF_AGENT:.0f} are allowed.")


def run_watched(command: Sequence[str], environment: Mapping[str, str]) -> float:
    """Run to the end; the most memory in MB."""
    with watched(subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL)) as most:
        pass
    return most[0]

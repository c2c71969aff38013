"""How far a push is: for the screen, the log, and whoever asks from another process."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from agent import private
from agent.client.store import Outcome
from service.contract.showing import size_words

NOTE_EVERY = 2.0
# What another process wrote is shown for this long; it writes every two seconds while it sends.
FRESH = 30.0


@dataclass
class PushCount:
    """What a push has done so far of the return in hand: what it sent, what was there already."""

    files: int = 0
    size: int = 0
    held: int = 0
    held_size: int = 0
    total: int = 0
    total_size: int = 0
    #: Large files that are sent and that the service reads back before the receipt.
    reading_back: int = 0
    _guard: threading.Lock = field(default_factory=threading.Lock, repr=False)

    def note(self, size: int, outcome: Outcome) -> None:
        """The store took a file, or had it; by any thread."""
        with self._guard:
            if outcome is Outcome.STORED:
                self.files += 1
                self.size += size
            elif outcome is Outcome.THERE:
                self.held += 1
                self.held_size += size

    def note_piece(self, size: int) -> None:
        """The store took a piece of a large file."""
        with self._guard:
            self.size += size

    def again(self) -> None:
        """Another pass: what was sent in the one before is there already, and is counted anew as that."""
        with self._guard:
            self.files = self.size = self.held = self.held_size = self.reading_back = 0

    @property
    def left(self) -> int:
        return max(0, self.total - self.files - self.held)

    @property
    def left_size(self) -> int:
        return max(0, self.total_size - self.size - self.held_size)


class PushProgress(msgspec.Struct, frozen=True, kw_only=True):
    """One look at a push. `rate` in bytes per second, `seconds` until everything is sent; None: not known, or
    nothing is left to send. `reading_back`: files that the service reads back before the receipt."""

    card_return: str
    at: float
    sent: int
    sent_bytes: int
    held: int
    held_bytes: int
    left: int
    left_bytes: int
    rate: float | None
    seconds: float | None
    reading_back: int = 0


def text_of(shown: PushProgress) -> str:
    done = (
        f"sent {shown.sent} files, {size_words(shown.sent_bytes)}; "
        f"already held {shown.held}, {size_words(shown.held_bytes)}"
    )
    if shown.reading_back:
        return f"{done}; everything is sent, the service is reading {shown.reading_back} large files back"
    if not shown.left:
        return f"{done}; everything is sent, the receipt is awaited"
    rate = "rate not known yet" if shown.rate is None else f"{size_words(shown.rate)}/s"
    left = "time left not known" if shown.seconds is None else f"about {duration_text(shown.seconds)} left"
    return f"{done}; to send {shown.left}, {size_words(shown.left_bytes)}; {rate}, {left}"


def duration_text(seconds: float) -> str:
    whole = round(seconds)
    if whole < 100:
        return f"{whole} s"
    if whole < 100 * 60:
        return f"{round(whole / 60)} min"
    return f"{whole / 3600:.0f} h" if whole < 48 * 3600 else f"{whole / 86400:.0f} days"


@contextmanager
def shown_every(
    look: Callable[[], PushProgress], show: Callable[[PushProgress], None], every: float
) -> Iterator[None]:
    """Show how far it is, in a thread of its own, until the block ends and then once. Its failures stop
    nothing."""
    ended = threading.Event()

    def watch() -> None:
        last = False
        while not last:
            last = ended.wait(every)
            with suppress(Exception):
                show(look())

    watcher = threading.Thread(target=watch, name="progress", daemon=True)
    watcher.start()
    try:
        yield
    finally:
        ended.set()
        watcher.join()


def leave_note(path: Path, shown: PushProgress) -> None:
    """For other processes. Not synced: it is worth nothing after a crash."""
    beside = path.with_name(path.name + ".new")
    with open(beside, "wb", opener=private.opener) as file:
        file.write(msgspec.json.encode(shown))
    beside.replace(path)


def read_note(path: Path) -> PushProgress | None:
    """What a pushing process wrote last; None when it is old or cannot be read."""
    try:
        shown = msgspec.json.decode(path.read_bytes(), type=PushProgress)
    except (OSError, msgspec.DecodeError):
        return None
    return shown if abs(time.time() - shown.at) < FRESH else None

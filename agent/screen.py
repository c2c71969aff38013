"""What a person sees: tables, progress, refusals. Plain lines when nobody looks at a terminal."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from uuid import UUID

from rich import markup
from rich.console import Console
from rich.progress import BarColumn, DownloadColumn, TextColumn, TimeRemainingColumn, TransferSpeedColumn
from rich.progress import Progress as LiveBar
from rich.table import Table

from agent.cards.clocks import BY_HAND, least_offset, local, moment, offset_text
from agent.cards.placing import taken_late, unplaced_by_slates
from agent.cards.taking import Card, ReadingProgress
from agent.cards.walking import Survey, readable
from agent.clock import steady
from agent.errors import AgentError
from agent.outbox.cache import Cache
from agent.outbox.outbox import Outbox
from agent.sync.progress import PushProgress, text_of
from service.contract.showing import plain, size_words

console = Console(highlight=False)
errors = Console(stderr=True, highlight=False)
PLAIN_EVERY = 5.0
SHOWN_NAMES = 20


def log(text: str) -> None:
    """One dated line, flushed, for journals and windows that nobody watches."""
    sys.stdout.write(f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ} {seen(text)}\n")
    sys.stdout.flush()


def seen(text: str) -> str:
    """Lines of text, whatever they hold."""
    return "\n".join(map(plain, text.split("\n")))


def name_seen(name: bytes) -> str:
    """A name of a card, on one line: it may hold any byte."""
    return plain(readable(name)[0])


def escape(text: str) -> str:
    """Text for a console or a table, whatever it holds."""
    return markup.escape(seen(text))


def say(text: str) -> None:
    """One line, as it is."""
    console.print(escape(text), soft_wrap=True)


def warn(text: str) -> None:
    """One line that must not be passed over, beside what programs read."""
    errors.print(escape(text), style="bold", soft_wrap=True)


def show_error(error: AgentError) -> None:
    warn(error.detail)
    for part in (error.consequence, error.next_step):
        if part:
            errors.print(escape(part), soft_wrap=True)


def show_interrupted() -> None:
    """After Ctrl-C, whatever was under way."""
    for part in (
        "Stopped by you.",
        "What was copied is kept here and goes to the service with the next push. A card that was being read "
        "is marked as not read to its end: do not wipe it.",
        "Put the card in and read it again: what is here already is not copied twice. "
        "What is held where says: sightledger-agent status",
    ):
        errors.print(escape(part), soft_wrap=True)


@contextmanager
def reading_progress(found: Survey) -> Iterator[ReadingProgress]:
    """Files, bytes, rate and what is left, while a card is read."""
    progress, ended = ReadingProgress(), threading.Event()
    watch = _watch_bar if console.is_terminal else _watch_plain
    watcher = threading.Thread(target=watch, args=(progress, found, ended), daemon=True)
    watcher.start()
    try:
        yield progress
    finally:
        ended.set()
        watcher.join()


def _watch_bar(progress: ReadingProgress, found: Survey, ended: threading.Event) -> None:
    columns = (
        TextColumn("still reading  {task.fields[files]}"),
        BarColumn(),
        DownloadColumn(),
        TransferSpeedColumn(),
        TimeRemainingColumn(),
    )
    with LiveBar(*columns, console=console, transient=True) as bar:
        task = bar.add_task("", total=found.size or None, files="")
        while not ended.wait(0.2):
            bar.update(task, completed=progress.size, files=f"{progress.files}/{found.files} files")


@contextmanager
def pushing_progress() -> Iterator[Callable[[PushProgress], None]]:
    """Shows how far a push is each time it is told: a live bar on a terminal, else a line now and then."""
    if not console.is_terminal:
        yield _plain_lines()
        return
    columns = (TextColumn("pushing"), BarColumn(), DownloadColumn(), TextColumn("{task.fields[text]}"))
    with LiveBar(*columns, console=console, transient=True) as bar:
        task = bar.add_task("", total=None, text="")

        def show(shown: PushProgress) -> None:
            done = shown.sent_bytes + shown.held_bytes
            bar.update(task, completed=done, total=done + shown.left_bytes, text=text_of(shown))

        yield show


def _plain_lines() -> Callable[[PushProgress], None]:
    last = steady()

    def show(shown: PushProgress) -> None:
        nonlocal last
        if steady() - last >= PLAIN_EVERY:
            last = steady()
            say(f"pushing: {text_of(shown)}")

    return show


def _watch_plain(progress: ReadingProgress, found: Survey, ended: threading.Event) -> None:
    started = time.monotonic()
    while not ended.wait(PLAIN_EVERY):
        rate = progress.size / (time.monotonic() - started)
        left = max(0, found.size - progress.size) / rate if rate else 0
        console.print(
            f"still reading: {progress.files} of {found.files} files, {size_words(progress.size)} of "
            f"{size_words(found.size)}, {size_words(rate)}/s, about {left:.0f} s left"
        )


@dataclass(frozen=True)
class LocationLine:
    """One location of a card that was read; `missing` counts what neither this card nor the service has."""

    key: str | None
    name: str
    required: int | None
    before: int
    found: int
    missing: int


def location_lines(outbox: Outbox, cache: Cache, return_id: UUID, card: Card) -> list[LocationLine]:
    """Required, held before, found and missing per location, in job order; not understood at the end."""
    found = outbox.pictures.by_location(return_id)
    inspection = cache.inspection(card.inspection_id) if card.inspection_id else None
    briefs = inspection.locations if inspection else []
    held_before = {location.key: location.pictures_held for location in briefs}
    plan = card.placer.plan if card.placer else None
    lines = []
    for location in plan.locations() if plan else []:
        seen, fresh = found.pop(location.key, (0, 0))
        before = held_before.get(location.key, 0)
        missing = max(0, location.pictures.required - before - fresh)
        lines.append(
            LocationLine(location.key, location.name, location.pictures.required, before, seen, missing)
        )
    lost = found.pop(None, (0, 0))[0]
    lines += [
        LocationLine(key, "not in the plan held here", None, 0, n, 0) for key, (n, _) in sorted(_named(found))
    ]
    if lost:
        lines.append(LocationLine(None, "kept, not placed", None, 0, lost, 0))
    return lines


def _named(found: dict[str | None, tuple[int, int]]) -> list[tuple[str, tuple[int, int]]]:
    return [(key, counts) for key, counts in found.items() if key is not None]


def show_return(outbox: Outbox, cache: Cache, return_id: UUID, card: Card, zone: tzinfo) -> None:
    """The table per location, what to retake, and what could not be read; `zone` is the site's."""
    lines = location_lines(outbox, cache, return_id, card)
    table = Table(
        title=escape(f"{card.unit or 'no unit picked'}, card return {return_id}"), title_justify="left"
    )
    for heading in ("location", "name"):
        table.add_column(heading)
    for heading in ("required", "held before", "found", "missing"):
        table.add_column(heading, justify="right")
    for line in lines:
        required = "" if line.required is None else str(line.required)
        counts = [required, str(line.before), str(line.found), str(line.missing or "")]
        table.add_row(escape(line.key or "not understood"), escape(line.name), *counts)
    console.print(table)
    _show_slates(outbox, return_id, [line.key for line in lines if line.key and line.required is not None])
    _show_unplaced(outbox, return_id, card)
    _show_retakes(outbox, return_id, lines)
    _show_scope_clock(outbox, cache, return_id, card, zone)


def _show_slates(outbox: Outbox, return_id: UUID, planned: list[str]) -> None:
    """What the slates left open, for a person to settle at the service's page of this card return."""
    for unplaced in unplaced_by_slates(outbox, return_id):
        span = unplaced.first if unplaced.pictures == 1 else f"{unplaced.first} to {unplaced.last}"
        text = f"not placed, {unplaced.pictures} pictures, {span}: {unplaced.reason}"
        console.print(escape(text), style="bold", soft_wrap=True)
    late = taken_late(outbox, return_id, planned)
    if late:
        console.print(escape(f"slates out of the job sheet's order: {', '.join(late)}"), soft_wrap=True)


def _show_unplaced(outbox: Outbox, return_id: UUID, card: Card) -> None:
    """Pictures that stand at no location, by name and with the reason; those of slates are shown apart."""
    why = (
        "no unit was picked for this card"
        if card.placer is None
        else f"neither folder, name nor comment tells its location (profile {card.profile.code})"
    )
    names = [
        name_seen(picture.path)
        for picture in outbox.pictures.unplaced(return_id)
        if (claim := picture.claim) is None or not (claim.rule == "slate" and claim.note)
    ]
    for name in names[:SHOWN_NAMES]:
        console.print(escape(f"not placed: {name}: {why}"), soft_wrap=True)
    if len(names) > SHOWN_NAMES:
        console.print(f"not placed: and {len(names) - SHOWN_NAMES} more, for the same reason")


def _show_retakes(outbox: Outbox, return_id: UUID, lines: list[LocationLine]) -> None:
    retake = [f"{line.key}: {line.missing} missing" for line in lines if line.missing]
    for location, name, marks in outbox.pictures.marked(return_id):
        if marks == "slate":
            continue
        retake.append(f"{location or 'not placed'}: {name_seen(name)} is {marks.replace('_', ' ')}")
    if retake:
        console.print("To take again, or to say why not:", style="bold")
        for text in retake[:60]:
            console.print(f"  {escape(text)}", soft_wrap=True)
        if len(retake) > 60:
            console.print(f"  and {len(retake) - 60} more")
    for unread in outbox.unread.of(return_id):
        console.print(escape(f"not read: {plain(unread.path)}: {unread.why}"), style="bold", soft_wrap=True)
    for aside in outbox.returns.get(return_id).aside:
        say(f"left aside, a file of an operating system: {plain(aside)}")


def _show_scope_clock(outbox: Outbox, cache: Cache, return_id: UUID, card: Card, zone: tzinfo) -> None:
    finished_at = outbox.returns.get(return_id).finished_at
    if card.marker is None or finished_at is None:
        return
    taken = (moment(text) for text in outbox.pictures.times(return_id))
    prepared = local(card.marker.prepared_at, zone)
    read = local(finished_at, zone)
    own = cache.clock_offset()
    if own is not None and abs(own) > BY_HAND.total_seconds():
        say("the clock of this workstation is off: nothing can be said of the scope's; have it set")
        return
    offset = least_offset((at for at in taken if at is not None), prepared, read)
    if offset is not None:
        say(f"{offset_text(offset)}, by its pictures and when the card was out; their times are kept as read")


def age_text(since: datetime, at: datetime) -> str:
    seconds = max(0, int((at - since).total_seconds()))
    for size, unit in ((86400, "d"), (3600, "h"), (60, "min")):
        if seconds >= size:
            return f"{seconds // size} {unit}"
    return f"{seconds} s"

"""Records from a CSV file with a header: each line is taken or refused by itself, and a refused one is named.

The columns of a file are the fields of a msgspec Struct. A cell is text without spaces around it; an empty
one counts as not given. The separator is a comma, or a semicolon where the header has no comma, as some
spreadsheets write it.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Awaitable, Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Generic, TypeVar

import msgspec
import typer

from service.commands.opening import NOT_SET_UP, REFUSED, stop, with_database
from service.errors import Refusal

if TYPE_CHECKING:
    from service.database import Database

L = TypeVar("L", bound=msgspec.Struct)

Csv = Annotated[Path, typer.Argument(help="a CSV file in UTF-8 with a header")]


@dataclass(frozen=True)
class Line(Generic[L]):
    """A record of a file and the number of the line it begins at (the header's is 1)."""

    number: int
    record: L


@dataclass
class Taken:
    """What became of the lines of a file."""

    fresh: int = 0
    known: int = 0
    refused: list[tuple[int, str]] = field(default_factory=list)

    def note(self, fresh: bool) -> None:
        if fresh:
            self.fresh += 1
        else:
            self.known += 1

    def refuse(self, number: int, why: Refusal | str) -> None:
        self.refused.append((number, why if isinstance(why, str) else reason(why)))

    def end(self, what: str) -> None:
        """Print the outcome, and end with REFUSED if a line was refused."""
        for number, why in sorted(self.refused):
            typer.echo(f"line {number}: {why}", err=True)
        typer.echo(f"{what}: {self.fresh} recorded, {self.known} there already, {len(self.refused)} refused")
        if self.refused:
            stop(
                "The refused lines changed nothing. Correct them and import the same file again: what is "
                "there already stays as it is.",
                REFUSED,
            )


def read_lines(file: Path, shape: type[L], taken: Taken) -> Iterator[Line[L]]:
    """The lines of a file as records; a line that is no record is refused. Ends the command where the file
    cannot be read at all or has other columns than `shape` has fields."""
    cells = _cells(file, taken)
    header = next(cells, (1, []))[1]
    columns = [name.casefold() for name in header]
    _check_columns(file, columns, shape)
    for number, row in cells:
        if not any(row):
            continue
        if len(row) != len(columns):
            taken.refuse(number, f"it has {len(row)} cells, the header has {len(columns)}.")
            continue
        try:
            yield Line(number, record_of(shape, dict(zip(columns, row, strict=True))))
        except ValueError as error:
            taken.refuse(number, str(error))


def record_of(shape: type[L], given: Mapping[str, str | Sequence[str] | None]) -> L:
    """A record made from text; an empty value counts as not given. Raises ValueError that names the field."""
    texts = {name: value for name, value in given.items() if value not in (None, "")}
    try:
        return msgspec.convert(texts, shape, strict=False)
    except msgspec.ValidationError as error:
        raise ValueError(in_words(error, given)) from error


def record_of_options(shape: type[L], given: Mapping[str, str | None]) -> L:
    """Does what `record_of` does, for a command's options; ends the command if one is at fault."""
    try:
        return record_of(shape, given)
    except ValueError as error:
        stop(f"Nothing was recorded: {error}", REFUSED)


def import_each(
    file: Path, shape: type[L], what: str, take: Callable[[Database, L], Awaitable[bool]]
) -> None:
    """Take each line of a file of `what` by itself, and tell what became of them."""
    taken = Taken()
    lines = read_lines(file, shape, taken)
    with_database(lambda db: take_each(lines, taken, lambda record: take(db, record)))
    taken.end(what)


async def take_each(lines: Iterator[Line[L]], taken: Taken, take: Callable[[L], Awaitable[bool]]) -> None:
    """Give each record to `take`, which answers whether it was new; a Refusal refuses that line alone."""
    for line in lines:
        try:
            taken.note(await take(line.record))
        except Refusal as refusal:
            taken.refuse(line.number, refusal)


def reason(refusal: Refusal) -> str:
    """Why a line was refused; that nothing was changed is said once, at the end."""
    return " ".join(part for part in (refusal.detail, refusal.next_step) if part)


def _cells(file: Path, taken: Taken) -> Iterator[tuple[int, list[str]]]:
    """Each row with the number of its first line, up to where the file is CSV no longer."""
    text = _text(file)
    head = text.partition("\n")[0]
    separator = ";" if ";" in head and "," not in head else ","
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    while True:
        number = rows.line_num + 1
        try:
            row = next(rows, None)
        except csv.Error as error:
            taken.refuse(number, f"the CSV is broken from here on ({error}): look at the quotes.")
            return
        if row is None:
            return
        yield number, [cell.strip() for cell in row]


def _text(file: Path) -> str:
    raw = b""
    try:
        raw = file.read_bytes()
        return raw.decode("utf-8-sig")
    except OSError as error:
        stop(f"{file} cannot be read: {error.strerror}. Nothing was recorded.", NOT_SET_UP)
    except UnicodeDecodeError as error:
        at = raw[: error.start].count(b"\n") + 1
        stop(f"{file} is not UTF-8 at line {at}. Nothing was recorded. Save it as CSV in UTF-8.", REFUSED)


def _check_columns(file: Path, columns: Sequence[str], shape: type[msgspec.Struct]) -> None:
    known = {column.name: column.required for column in msgspec.structs.fields(shape)}
    wrong = [repr(name) for name in columns if name not in known]
    lacking = [name for name, required in known.items() if required and name not in columns]
    doubled = [name for name in known if columns.count(name) > 1]
    faults = [
        f"there is no column {', '.join(wrong)}" if wrong else "",
        f"{', '.join(lacking)} lacks" if lacking else "",
        f"{', '.join(doubled)} stands twice" if doubled else "",
    ]
    if any(faults):
        names = ",".join(name if required else f"[{name}]" for name, required in known.items())
        stop(
            f"The header of {file} does not fit: {'; '.join(fault for fault in faults if fault)}. Nothing "
            f"was recorded. The first line must be {names} (those in brackets may be left out).",
            REFUSED,
        )


SIGNS = {"login": "lower-case letters, digits and . _ @ -", "code": "letters, digits and . _ -"}
# Messages of the library, and the words that a person reads instead.
WORDS = (
    (r"missing required field `(\w+)`", r"\1 is not given."),
    (r"unknown field `(\w+)`", r"There is no field \1."),
    (r"matching regex", "{name} {value} holds other signs than {signs}, or begins with one of the last."),
    (r"Invalid RFC3339|Expected `date`", "{name} {value} is no date such as 2026-09-01."),
    (r"Invalid enum value", "{name} {value} is neither yes nor no."),
    (r"of length <= (\d+)", r"{name} is longer than \1 characters."),
    (r"of length >= (\d+)", r"{name} needs \1 characters or more."),
)  # fmt: skip


def in_words(error: msgspec.ValidationError, given: Mapping[str, object]) -> str:
    """A refusal of the library as a sentence that names the field, and its value unless that is a secret."""
    text = str(error)
    path = re.search(r"`\$\.(\w+)", text)
    name = path[1] if path else ""
    value = "" if name == "password" else repr(given.get(name, ""))
    for pattern, words in WORDS:
        if found := re.search(pattern, text):
            sentence = found.expand(words).format(
                name=name, value=value, signs=SIGNS.get(name, SIGNS["code"])
            )
            return sentence.replace("  ", " ")
    return f"{name} {value}: {text}."

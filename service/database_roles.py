"""What each role of the database may do to each table, as it follows from the table's declaration.

Three group roles that nobody logs in with: the owner (migrations), the writer (service, worker, commands) and
the reader (reports). An operator's logins belong to one of them each. service.protection holds the database
to this.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from service import walls
from service.database import EVERY, metadata

OWNER, WRITER, READER = "sightledger_owner", "sightledger_writer", "sightledger_reader"

# One relation, one of its columns ("" for all), a role, and what it may do there.
Grant = tuple[str, str, str, str]


@dataclass(frozen=True, slots=True)
class Trigger:
    """A trigger that fires before a change. `columns`: of an UPDATE only one that sets some of these."""

    name: str
    function: str
    events: tuple[str, ...]
    columns: tuple[str, ...] = ()
    each_row: bool = False

    def made_on(self, table: str) -> str:
        of = f" OF {', '.join(self.columns)}" if self.columns else ""
        events = " OR ".join(event + (of if event == "UPDATE" else "") for event in self.events)
        return (
            f"CREATE OR REPLACE TRIGGER {self.name} BEFORE {events} ON {table}"
            f" FOR EACH {'ROW' if self.each_row else 'STATEMENT'} EXECUTE FUNCTION {self.function}();"
            # A session that plays a replica would pass by any other.
            f" ALTER TABLE {table} ENABLE ALWAYS TRIGGER {self.name}"
        )

    def seen(self) -> tuple[Any, ...]:
        return (self.function, frozenset(self.events), frozenset(self.columns), self.each_row, True)


_REFUSE = "refuse_change"
_RAISE = """RAISE EXCEPTION 'The rows of % stay as they are: % is refused.', TG_TABLE_NAME, TG_OP
        USING ERRCODE = 'insufficient_privilege', DETAIL = 'Nothing was changed.',
        HINT = 'A further fact corrects a fact. deploy/OPERATING.md says what is left to the owner.';"""


def is_record(table: sa.Table) -> bool:
    return bool(table.info["record"])


def triggers(table: sa.Table) -> list[Trigger]:
    """The triggers that keep a table of the record; none for other tables."""
    if not is_record(table):
        return []
    changing = table.info["changing"]
    fixed = tuple(column.name for column in table.columns if column.name not in changing)
    found = [Trigger("keep", _REFUSE, ("DELETE", "UPDATE", "TRUNCATE"), fixed if changing else ())]
    if table.info["sealed"]:
        found.append(Trigger("keep_sealed", f"{_REFUSE}_of_{table.name}", ("UPDATE",), each_row=True))
    return found


# Whoever may make temporary tables could else put one in front of a table that a function reads.
_PATH = "search_path=public, pg_temp"
# What a function returns, its language, its body, and the path on which it finds tables.
Function = tuple[str, str, str, str | None]


def functions() -> dict[str, Function]:
    """Each function that a trigger or a policy calls."""
    found: dict[str, Function] = {
        name: (returns, "sql", body, None) for name, (returns, body) in walls.FUNCTIONS.items()
    }
    found[_REFUSE] = ("trigger", "plpgsql", f"BEGIN {_RAISE} END", _PATH)
    for table in metadata.tables.values():
        if is_record(table) and table.info["sealed"]:
            body = f"BEGIN IF {table.info['sealed']} THEN {_RAISE} END IF; RETURN new; END"
            found[f"{_REFUSE}_of_{table.name}"] = ("trigger", "plpgsql", body, _PATH)
    return found


def grants(table: sa.Table) -> set[Grant]:
    """What writer and reader may do to a table of ours."""
    name, info = table.name, table.info
    found = {(name, "", WRITER, "SELECT"), (name, "", WRITER, "INSERT")}
    if info["changing"] == (EVERY,):
        found.add((name, "", WRITER, "UPDATE"))
    else:
        found |= {(name, column, WRITER, "UPDATE") for column in info["changing"]}
    if info.get("deleted"):
        found.add((name, "", WRITER, "DELETE"))
    if info["secret"]:
        shown = (column.name for column in table.columns if column.name not in info["secret"])
        return found | {(name, column, READER, "SELECT") for column in shown}
    return found | {(name, "", READER, "SELECT")}

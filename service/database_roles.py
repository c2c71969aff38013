"""What each role of the database may do to each table, as it follows from the table's declaration.

Three group roles that nobody logs in with: the owner (migrations), the writer (service, worker, commands) and
the reader (reports). An operator's logins belong to one of them each. service.protection holds the database
to this.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

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
# One that runs with the rights of the owner names the schema of each table itself.
_OWNERS_PATH = "search_path=pg_catalog, pg_temp"


class Function(NamedTuple):
    """A function of the database. `path`: where it finds tables; `takes`: its parameters, as SQL. One that
    runs `as_owner` is the writer's alone to call."""

    returns: str
    language: str
    body: str
    path: str | None
    takes: str = ""
    as_owner: bool = False

    def made_as(self, name: str) -> str:
        settings = f" SET {self.path}" if self.path else " STABLE PARALLEL SAFE"
        return (
            f"CREATE OR REPLACE FUNCTION {name}({self.takes}) RETURNS {self.returns} LANGUAGE {self.language}"
            f"{' SECURITY DEFINER' if self.as_owner else ''}{settings} AS $body${self.body}$body$"
        )


def _forgetting(table: sa.Table) -> Function:
    """Removes up to 10,000 rows that are older than so many days, and nothing else; how many were."""
    name, at = f"public.{table.name}", table.info["ages_by"]
    body = f"""
DECLARE forgotten bigint;
BEGIN
    IF days IS NULL OR days < 1 THEN
        RAISE EXCEPTION 'rows of {table.name} are kept for a day at least';
    END IF;
    DELETE FROM {name} WHERE id IN (
        SELECT id FROM {name} WHERE {at} < now() - make_interval(days => days) ORDER BY {at} LIMIT 10000);
    GET DIAGNOSTICS forgotten = ROW_COUNT;
    RETURN forgotten;
END
"""  # noqa: S608 (names of our own tables)
    return Function("bigint", "plpgsql", body, _OWNERS_PATH, "days integer", as_owner=True)


def functions() -> dict[str, Function]:
    """Each function that a trigger, a policy or the writer calls."""
    found = {name: Function(returns, "sql", body, None) for name, (returns, body) in walls.FUNCTIONS.items()}
    found[_REFUSE] = Function("trigger", "plpgsql", f"BEGIN {_RAISE} END", _PATH)
    for table in metadata.tables.values():
        if is_record(table) and table.info["sealed"]:
            body = f"BEGIN IF {table.info['sealed']} THEN {_RAISE} END IF; RETURN new; END"
            found[f"{_REFUSE}_of_{table.name}"] = Function("trigger", "plpgsql", body, _PATH)
        if table.info.get("ages_by"):
            found[f"forget_{table.name}"] = _forgetting(table)
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

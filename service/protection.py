"""Whether the database keeps the record as the code declares, and what mends it where it does not.

`lapses` says where grants, triggers, policies and owners differ from service.database_roles and
service.walls, and by which SQL the owner mends that; each migration ends with it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import sqlalchemy as sa

from service import walls
from service.database import metadata
from service.database_roles import OWNER, READER, WRITER, Grant, functions, grants, triggers
from service.settings import SettingError

# As Postgres calls whoever is in no role in particular.
ANYBODY = "PUBLIC"

# Tables and sequences that are no part of the metadata: the queue's, and Alembic's note of the version.
_QUEUE = "procrastinate_"
_VERSION = "alembic_version"


@dataclass(frozen=True, slots=True)
class Lapse:
    """Where the database does not hold to what the code declares; `mend` is empty where no SQL of the owner
    helps."""

    text: str
    mend: str

    def __str__(self) -> str:
        return self.text


def lapses(connection: sa.Connection) -> list[Lapse]:
    """Where the database differs from what the code declares, in the order in which to mend it."""
    relations = _relations(connection)
    return [
        *_owners(relations),
        *_functions(connection),
        *_triggers(connection, relations),
        *_grants(connection, relations),
        *_policies(connection, relations),
        *_schema(connection),
    ]


def lapse_of_login(connection: sa.Connection) -> list[Lapse]:
    """Whether whoever is logged in could do what only the owner may."""
    able = sa.text(
        "SELECT rolsuper OR rolbypassrls OR pg_has_role(oid, to_regrole(:owner), 'MEMBER') FROM pg_roles"
        " WHERE rolname = session_user"
    )
    if not connection.scalar(able, {"owner": OWNER}):
        return []
    who = connection.scalar(sa.text("SELECT session_user"))
    return [Lapse(f"The login {who} may act as {OWNER}: let the service log in as a {WRITER} alone.", "")]


def lapses_seen(connection: sa.Connection) -> list[Lapse]:
    """Every lapse, as a service sees it that should be a writer."""
    return [*lapses(connection), *lapse_of_login(connection)]


def protect(connection: sa.Connection) -> None:
    """Mend every lapse; the transaction is the owner's."""
    driver = connection.connection.driver_connection
    assert driver is not None
    # Twice: to take a table from a role takes its columns too, which are given to it again.
    for _ in range(2):
        for lapse in lapses(connection):
            if lapse.mend:
                # As it is: a body holds signs that the layers above would take for parameters.
                driver.execute(lapse.mend)


def become_owner(connection: sa.Connection) -> None:
    """Make what the connection makes from now on the owner's; raises SettingError where the server is not
    prepared for that."""
    there = sa.text("SELECT count(*) FROM pg_roles WHERE rolname IN (:owner, :writer, :reader)")
    if connection.scalar(there, {"owner": OWNER, "writer": WRITER, "reader": READER}) != 3:
        raise SettingError(
            f"The database server lacks the roles {OWNER}, {WRITER} and {READER}, so nothing was migrated. "
            "Run deploy/roles.sql as its superuser first (README.md, In production)."
        )
    if not connection.scalar(sa.text("SELECT pg_has_role(session_user, :owner, 'MEMBER')"), {"owner": OWNER}):
        raise SettingError(
            f"The login of SIGHTLEDGER_MIGRATION_DATABASE_URL is no {OWNER}, so nothing was migrated. "
            f"Grant it that role: GRANT {OWNER} TO the login."
        )
    may_make = sa.text("SELECT has_schema_privilege(:owner, 'public', 'CREATE')")
    if not connection.scalar(may_make, {"owner": OWNER}):
        raise SettingError(
            f"The database does not belong to {OWNER}, so nothing was migrated. "
            f"Hand it over: ALTER DATABASE its name OWNER TO {OWNER}."
        )
    connection.execute(sa.text(f"SET ROLE {OWNER}"))


@dataclass(frozen=True, slots=True)
class _Relation:
    name: str
    sequence: bool
    owner: str

    @property
    def kind(self) -> str:
        return "SEQUENCE" if self.sequence else "TABLE"


_RELATIONS = sa.text(
    """
    SELECT relname, relkind = 'S', pg_get_userbyid(relowner) FROM pg_class
    WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p', 'S', 'v', 'm')
    ORDER BY relname
    """
)


def _relations(connection: sa.Connection) -> dict[str, _Relation]:
    found = (_Relation(*row) for row in connection.execute(_RELATIONS))
    return {relation.name: relation for relation in found}


def _owners(relations: dict[str, _Relation]) -> Iterator[Lapse]:
    for relation in relations.values():
        if relation.owner != OWNER:
            yield Lapse(f"{relation.name} belongs to {relation.owner}, who may change all of it.", "")


_FUNCTIONS = sa.text(
    """
    SELECT proname, format_type(prorettype, NULL), lanname, prosrc, array_to_string(proconfig, ';'),
           pg_get_function_arguments(pg_proc.oid), prosecdef, pg_get_userbyid(proowner),
           ARRAY(SELECT coalesce(rolname::text, :anybody)
                 FROM aclexplode(coalesce(proacl, acldefault('f', proowner))) AS entry
                 LEFT JOIN pg_roles ON pg_roles.oid = entry.grantee
                 WHERE entry.grantee <> proowner ORDER BY 1)
    FROM pg_proc JOIN pg_language ON pg_language.oid = prolang
    WHERE pronamespace = 'public'::regnamespace
    """
)


def _functions(connection: sa.Connection) -> Iterator[Lapse]:
    found = {
        (name, made[4]): (made, owner, callers)
        for name, *made, owner, callers in connection.execute(_FUNCTIONS, {"anybody": ANYBODY})
    }
    for name, function in functions().items():
        made, owner, callers = found.get((name, function.takes), (None, OWNER, []))
        if made != list(function):
            yield Lapse(
                f"The function {name}, by which rows are kept, kept apart or end, is not as it should be.",
                function.made_as(name),
            )
        if owner != OWNER:
            yield Lapse(f"The function {name} belongs to {owner}, who may change it.", "")
        if function.as_owner:
            yield from _callers(f"{name}({function.takes})", set(callers))


def _callers(signature: str, callers: set[str]) -> Iterator[Lapse]:
    """Who may call a function that runs with the rights of the owner: the writer alone."""
    for role in sorted(callers - {WRITER}):
        yield Lapse(
            f"{role} may call {signature}, which it should not.",
            f"REVOKE EXECUTE ON FUNCTION {signature} FROM {role}",
        )
    if WRITER not in callers:
        yield Lapse(
            f"{WRITER} may not call {signature}, which the service needs.",
            f"GRANT EXECUTE ON FUNCTION {signature} TO {WRITER}",
        )


# pg_trigger.tgtype, as the manual of PostgreSQL leaves to its source (pg_trigger.h).
_BITS = {"DELETE": 8, "UPDATE": 16, "TRUNCATE": 32}
_TRIGGERS = sa.text(
    """
    SELECT relation.relname, made.tgname, proname, tgtype, tgenabled = 'A' AND tgqual IS NULL,
           ARRAY(SELECT attname::text FROM pg_attribute
                 WHERE attrelid = made.tgrelid AND attnum = ANY(made.tgattr))
    FROM pg_trigger made
    JOIN pg_class relation ON relation.oid = made.tgrelid
    JOIN pg_proc ON pg_proc.oid = made.tgfoid
    WHERE relnamespace = 'public'::regnamespace AND NOT tgisinternal
    """
)


def _triggers(connection: sa.Connection, relations: dict[str, _Relation]) -> Iterator[Lapse]:
    found = {
        (table, name): (
            function,
            frozenset(event for event, bit in _BITS.items() if kind & bit),
            frozenset(columns),
            bool(kind & 1),
            # Before the change (2), on its own event kinds and never on INSERT (4).
            always and kind & 2 == 2 and kind & 4 == 0,
        )
        for table, name, function, kind, always, columns in connection.execute(_TRIGGERS)
    }
    for table in _tables_among(relations):
        for trigger in triggers(table):
            if found.get((table.name, trigger.name)) != trigger.seen():
                yield Lapse(
                    f"{table.name} can be rewritten by its owner: the trigger {trigger.name} is missing, "
                    "turned off or another one.",
                    trigger.made_on(table.name),
                )


_GRANTED = sa.text(
    """
    SELECT relation.relname, '', coalesce(rolname, :anybody), privilege_type
    FROM pg_class relation CROSS JOIN LATERAL aclexplode(relation.relacl) AS entry
    LEFT JOIN pg_roles ON pg_roles.oid = entry.grantee
    WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p', 'S', 'v', 'm')
      AND entry.grantee <> relowner
    UNION ALL
    SELECT relation.relname, attname, coalesce(rolname, :anybody), privilege_type
    FROM pg_class relation JOIN pg_attribute ON attrelid = relation.oid
    CROSS JOIN LATERAL aclexplode(attacl) AS entry
    LEFT JOIN pg_roles ON pg_roles.oid = entry.grantee
    WHERE relnamespace = 'public'::regnamespace AND entry.grantee <> relowner
    """
)


def _grants(connection: sa.Connection, relations: dict[str, _Relation]) -> Iterator[Lapse]:
    wanted = set().union(*(grants(table) for table in _tables_among(relations)), _around(relations))
    granted = {tuple(row) for row in connection.execute(_GRANTED, {"anybody": ANYBODY})}
    for grant in sorted(granted - wanted):
        name, column, role, may = grant
        # What an operator lets logins of his own read is his business.
        if role in (WRITER, READER) or may != "SELECT":
            yield Lapse(
                f"{role} may {may} {_place(name, column)}, which it should not.",
                f"REVOKE {_privilege(grant)} ON {relations[name].kind} {name} FROM {role}",
            )
    for grant in sorted(wanted - granted):
        name, column, role, may = grant
        yield Lapse(
            f"{role} may not {may} {_place(name, column)}, which the service or a report needs.",
            f"GRANT {_privilege(grant)} ON {relations[name].kind} {name} TO {role}",
        )


def _around(relations: dict[str, _Relation]) -> set[Grant]:
    """What writer and reader may do to what is not declared in our own tables."""
    found = set[Grant]()
    for name, relation in relations.items():
        if relation.sequence:
            found.add((name, "", WRITER, "USAGE"))
        elif name == _VERSION:
            found |= {(name, "", role, "SELECT") for role in (WRITER, READER)}
        elif name.startswith(_QUEUE):
            found |= {(name, "", WRITER, may) for may in ("SELECT", "INSERT", "UPDATE", "DELETE")}
            found.add((name, "", READER, "SELECT"))
    return found


def _tables_among(relations: dict[str, _Relation]) -> list[sa.Table]:
    return [table for name, table in metadata.tables.items() if name in relations]


def _place(name: str, column: str) -> str:
    return f"{name}.{column}" if column else name


def _privilege(grant: Grant) -> str:
    _, column, _, may = grant
    return f"{may} ({column})" if column else may


_WALLED = sa.text(
    """
    SELECT relname, relrowsecurity, polname,
           obj_description(policy.oid, 'pg_policy'),
           md5(concat_ws(' ', polcmd, polpermissive, pg_get_expr(polqual, polrelid),
                         pg_get_expr(polwithcheck, polrelid))),
           ARRAY(SELECT pg_get_userbyid(role)::text FROM unnest(polroles) AS role ORDER BY 1)
    FROM pg_class LEFT JOIN pg_policy policy ON polrelid = pg_class.oid
    WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p')
    """
)


def _policies(connection: sa.Connection, relations: dict[str, _Relation]) -> Iterator[Lapse]:
    """A comment on each policy holds a mark of the words it was made from and of how Postgres reads them, as
    these cannot be compared with each other."""
    on: set[str] = set()
    found: dict[tuple[str, str], bool] = {}
    marks: dict[tuple[str, str], str] = {}
    for table, walled, name, comment, read_as, roles in connection.execute(_WALLED):
        on |= {table} if walled else set()
        if name is not None:
            mark, _, was_read_as = (comment or "").partition(" ")
            marks[table, name] = mark
            found[table, name] = was_read_as == read_as and roles == sorted([READER, WRITER])
    for declared in _tables_among(relations):
        wanted = {policy.name: policy for policy in walls.policies(declared)}
        table = declared.name
        if bool(wanted) != (table in on):
            turn = "ENABLE" if wanted else "DISABLE"
            yield Lapse(
                f"Row-level security of {table} is {'off' if wanted else 'on'}.",
                f"ALTER TABLE {table} {turn} ROW LEVEL SECURITY",
            )
        for name in sorted(name for at, name in found if at == table and name not in wanted):
            yield Lapse(
                f"The policy {name} on {table} is none of ours and may open it.",
                f"DROP POLICY {name} ON {table}",
            )
        for name, policy in wanted.items():
            if not found.get((table, name)) or marks[table, name] != policy.mark:
                yield Lapse(
                    f"The policy {name}, which keeps sites apart in {table}, is missing or another one.",
                    policy.made_for(f"{WRITER}, {READER}") + _MARKED.format(policy=policy),
                )


_MARKED = """ DO $$ BEGIN EXECUTE format('COMMENT ON POLICY {policy.name} ON {policy.table} IS %L', (
    SELECT concat('{policy.mark} ', md5(concat_ws(' ', polcmd, polpermissive, pg_get_expr(polqual, polrelid),
                                                  pg_get_expr(polwithcheck, polrelid))))
    FROM pg_policy WHERE polrelid = '{policy.table}'::regclass AND polname = '{policy.name}')); END $$"""


def _schema(connection: sa.Connection) -> Iterator[Lapse]:
    may_make = sa.text("SELECT has_schema_privilege(:role, 'public', 'CREATE')")
    for role in (WRITER, READER):
        if connection.scalar(may_make, {"role": role}):
            yield Lapse(
                f"{role} may make tables and functions of its own beside the record.",
                f"REVOKE CREATE ON SCHEMA public FROM PUBLIC, {role}",
            )

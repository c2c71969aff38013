"""What the database refuses to each of its roles, whatever the code above it does.

OWASP ASVS 4.0.3, 1.4.3 and 4.1.3 (least privilege) and 7.3.3 (logs are kept from being changed), CWE-250 and
CWE-732, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import psycopg
import pytest
import sqlalchemy as sa
from psycopg import sql

import service.app  # noqa: F401 (declares every table)
from deploy.embedded.postgres import DATABASE, MIGRATIONS, REPORTS, SERVICE
from service.database import EVERY, Database, metadata, migrate
from service.facts.store import fact_table
from service.protection import lapses, lapses_seen
from service.settings import Settings
from tests import factories
from tests.commands.own_process import sightledger
from tests.engines import as_login
from tests.intake.factories import Yard, claim, jpeg

pytestmark = pytest.mark.anyio

TABLES = sorted(metadata.tables)
RECORD = [name for name in TABLES if metadata.tables[name].info["record"]]
REFUSED = psycopg.errors.InsufficientPrivilege


@contextmanager
def logged_in(url: str, login: str) -> Iterator[psycopg.Connection[Any]]:
    """A connection for all sites, whose work is undone."""
    address, options = as_login(url, login).replace("+psycopg", ""), "-c sightledger.sites=*"
    with psycopg.connect(address, options=options) as connection:
        yield connection
        connection.rollback()


def refusal(connection: psycopg.Connection[Any], statement: str, *values: object) -> str:
    """Why the database refuses the statement; empty where it does not. What it did is undone."""
    try:
        with connection.transaction(force_rollback=True):
            connection.execute(statement.encode(), values or None)
    except REFUSED as error:
        return str(error)
    return ""


def tried(table: sa.Table) -> dict[str, str]:
    """A statement for each thing that may be done to a table; none of them meets a row."""
    name = table.name
    done = {
        "SELECT": f"SELECT * FROM {name} LIMIT 0",
        "INSERT": f"INSERT INTO {name} DEFAULT VALUES",
        "DELETE": f"DELETE FROM {name} WHERE false",
        "TRUNCATE": f"TRUNCATE {name} CASCADE",
    }
    for column in table.columns:
        quoted = f'"{column.name}"'
        done[f"SELECT {column.name}"] = f"SELECT {quoted} FROM {name} LIMIT 0"
        done[f"UPDATE {column.name}"] = f"UPDATE {name} SET {quoted} = DEFAULT WHERE false"
    return done


def allowed(table: sa.Table, login: str, what: str) -> bool:
    """What a login may do by the declaration of the table alone."""
    does, _, column = what.partition(" ")
    info = table.info
    if does == "SELECT":
        secret = info["secret"] if login == REPORTS else ()
        return column not in secret if column else not secret
    if login == REPORTS:
        return False
    if does == "UPDATE":
        return column in info["changing"] or EVERY in info["changing"]
    return {"INSERT": True, "DELETE": info.get("deleted", False), "TRUNCATE": False}[does]


@pytest.mark.parametrize("login", [SERVICE, REPORTS])
def test_service_and_reports_do_to_each_table_what_its_declaration_says_and_nothing_else(
    database_url: str, login: str
) -> None:
    wrong = []
    with logged_in(database_url, login) as connection:
        for name in TABLES:
            table = metadata.tables[name]
            for what, statement in tried(table).items():
                try:
                    refused = refusal(connection, statement)
                except psycopg.errors.IntegrityError:
                    refused = ""  # the row that is no row was let in as far as its constraints
                if bool(refused) == allowed(table, login, what):
                    wrong.append((name, what, refused))
    assert wrong == []


def test_the_owner_rewrites_no_table_of_the_record(database_url: str) -> None:
    with logged_in(database_url, MIGRATIONS) as connection:
        for name in RECORD:
            table = metadata.tables[name]
            for what, statement in tried(table).items():
                does, _, column = what.partition(" ")
                if does in ("SELECT", "INSERT") or column in table.info["changing"]:
                    continue
                assert "stay as they are" in refusal(connection, statement), (name, what)


def test_a_session_that_plays_a_replica_rewrites_no_table_of_the_record(database_url: str) -> None:
    with logged_in(database_url, DATABASE) as connection:
        connection.execute("SET session_replication_role = replica")
        for name in RECORD:
            assert "stay as they are" in refusal(connection, f"DELETE FROM {name} WHERE false"), name


@pytest.mark.parametrize(
    "statement",
    [
        "SET ROLE sightledger_owner",
        "SET session_replication_role = replica",
        "ALTER TABLE statements DISABLE TRIGGER USER",
        "DROP TRIGGER keep ON statements",
        "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql"
        " AS 'BEGIN RETURN new; END'",
        "CREATE FUNCTION mine() RETURNS int LANGUAGE sql AS 'SELECT 1'",
        "CREATE TABLE mine (id int)",
        "GRANT UPDATE ON statements TO sightledger_writer",
        "ALTER TABLE statements OWNER TO sightledger_service",
        "DROP TABLE statements CASCADE",
        "SELECT setval('fact_numbers', 1)",
        "UPDATE alembic_version SET version_num = version_num",
        "COPY statements FROM PROGRAM 'true'",
        "CREATE RULE mine AS ON INSERT TO statements DO INSTEAD NOTHING",
    ],
)
def test_the_service_opens_no_way_round_its_grants(database_url: str, statement: str) -> None:
    with logged_in(database_url, SERVICE) as connection:
        try:
            refused = refusal(connection, statement)
        except psycopg.Warning:
            refused = ""
        # A grant without the right to grant is a warning and no error: what counts is what it left.
        if statement.startswith("GRANT") and not refused:
            refused = refusal(connection, "UPDATE statements SET kind = kind WHERE false")
        assert refused


def test_a_new_table_of_facts_that_the_database_does_not_keep_is_told(fresh_database_url: str) -> None:
    planted = fact_table("planted_facts", None)
    try:
        owners = as_login(fresh_database_url, MIGRATIONS)
        engine = sa.create_engine(owners)
        with engine.begin() as connection:
            connection.execute(sa.text("SET ROLE sightledger_owner"))
            planted.create(connection)
            told = [str(lapse) for lapse in lapses(connection)]
            assert any("planted_facts" in lapse and "trigger" in lapse for lapse in told), told
            assert any("sightledger_writer may not INSERT planted_facts" in lapse for lapse in told), told
        migrate(owners)
        with engine.connect() as connection:
            assert lapses(connection) == []
        engine.dispose()
    finally:
        metadata.remove(planted)


def test_each_table_declares_whether_it_is_of_the_record() -> None:
    assert [name for name in TABLES if "record" not in metadata.tables[name].info] == []
    facts = [name for name in TABLES if "content" in metadata.tables[name].info]
    assert len(facts) > 10
    assert set(facts) <= set(RECORD)
    for name in RECORD:
        table = metadata.tables[name]
        assert set(table.info["changing"]) < set(table.columns.keys()), name


DAMAGE = {
    "a trigger dropped": "DROP TRIGGER keep ON statements",
    "a trigger turned off": "ALTER TABLE receipts DISABLE TRIGGER keep",
    "a trigger that a replica passes by": "ALTER TABLE receipts ENABLE TRIGGER keep",
    "a trigger on fewer columns": "CREATE OR REPLACE TRIGGER keep BEFORE DELETE OR UPDATE OF id OR TRUNCATE"
    " ON placements FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()",
    "a function that refuses nothing": "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger"
    " LANGUAGE plpgsql SET search_path = public, pg_temp AS 'BEGIN RETURN new; END'",
    "a function that looks elsewhere": "ALTER FUNCTION refuse_change_of_plan_revisions() RESET search_path",
    "a grant too many": "GRANT DELETE ON statements TO sightledger_writer",
    "a column too many": "GRANT UPDATE (body) ON receipts TO sightledger_writer",
    "everybody may write": "GRANT INSERT ON statements TO PUBLIC",
    "a grant too few": "REVOKE INSERT ON sightings FROM sightledger_writer",
    "secrets shown": "GRANT SELECT ON accounts TO sightledger_reader",
    "a policy dropped": "DROP POLICY site_reads ON statements",
    "a policy that lets all through": "ALTER POLICY site_reads ON sightings USING (true)",
    "a further policy": "CREATE POLICY mine ON receipts FOR SELECT USING (true)",
    "a policy for everybody": "ALTER POLICY site_reads ON receipts TO PUBLIC",
    "no policies asked": "ALTER TABLE statements DISABLE ROW LEVEL SECURITY",
    "a function that calls every site one's own": "CREATE OR REPLACE FUNCTION writes_every_site()"
    " RETURNS boolean LANGUAGE sql STABLE AS 'SELECT true'",
    "everybody may make reads of pictures end": "GRANT EXECUTE ON FUNCTION forget_picture_reads TO PUBLIC",
    "reads of pictures never end": "REVOKE EXECUTE ON FUNCTION forget_picture_reads FROM sightledger_writer",
    "a function that takes more than is old": "CREATE OR REPLACE FUNCTION forget_picture_reads(days integer)"
    " RETURNS bigint LANGUAGE sql SECURITY DEFINER AS 'DELETE FROM public.picture_reads; SELECT 1::bigint'",
    "tables of one's own": "GRANT CREATE ON SCHEMA public TO sightledger_writer",
}


@pytest.fixture(scope="module")
def damaged(module_database_url: str) -> Iterator[sa.Engine]:
    engine = sa.create_engine(as_login(module_database_url, MIGRATIONS))
    yield engine
    engine.dispose()


@pytest.mark.parametrize("what", DAMAGE)
def test_what_the_owner_takes_away_from_the_protection_is_told_and_mended(
    damaged: sa.Engine, module_database_url: str, what: str
) -> None:
    with damaged.connect() as connection:
        assert lapses(connection) == []
    with damaged.begin() as connection:
        connection.execute(sa.text(DAMAGE[what]))
    with damaged.connect() as connection:
        assert len(lapses(connection)) == 1
    migrate(as_login(module_database_url, MIGRATIONS))
    with damaged.connect() as connection:
        assert lapses(connection) == []


def test_recount_tells_of_a_missing_trigger_and_of_a_service_that_is_the_owner(
    service_settings: Settings, fresh_database_url: str
) -> None:
    variables = {"SIGHTLEDGER_DATABASE_URL": fresh_database_url}
    assert sightledger(service_settings, "recount", **variables).returncode == 0
    with psycopg.connect(as_login(fresh_database_url, MIGRATIONS).replace("+psycopg", "")) as connection:
        connection.execute("DROP TRIGGER keep ON statements")
    told = sightledger(service_settings, "recount", **variables)
    assert told.returncode == 1
    assert "protection: statements can be rewritten by its owner" in told.stdout
    assert "`sightledger migrate`" in told.stderr
    migrate(as_login(fresh_database_url, MIGRATIONS))
    assert sightledger(service_settings, "recount", **variables).returncode == 0
    variables["SIGHTLEDGER_DATABASE_URL"] = as_login(fresh_database_url, MIGRATIONS)
    as_owner = sightledger(service_settings, "recount", **variables)
    assert (as_owner.returncode, "may act as sightledger_owner" in as_owner.stdout) == (1, True)


async def test_the_service_of_the_tests_is_a_writer_and_nothing_more(db: Database) -> None:
    async with db.begin() as connection:
        assert await connection.run_sync(lapses_seen) == []


async def test_a_committed_card_return_changes_no_more_and_an_open_one_only_where_it_is_closed(
    yard: Yard, settings: Settings
) -> None:
    committed, still_open = yard.card(("A/1.JPG", jpeg(1), claim(yard.inspection_id))), yard.card()
    await committed.go_through()
    await still_open.open()
    for login in (SERVICE, MIGRATIONS):
        with logged_in(settings.database_url, login) as connection:
            change = "UPDATE card_returns SET files = files WHERE id = %s"
            assert "stay as they are" in refusal(connection, change, committed.id)
            assert not refusal(connection, change, still_open.id)
            assert refusal(connection, change.replace("files", "started_at"), still_open.id)
            for table in ("images", "receipts", "sightings", "placements", "card_return_parts"):
                assert refusal(connection, f"DELETE FROM {table}")


async def test_a_published_plan_keeps_its_document_even_where_a_temporary_table_hides_its_events(
    db: Database, settings: Settings
) -> None:
    made = await factories.fleet(db)
    async with db.begin() as connection:
        draft = await factories.add_revision(
            connection, made, "B", [factories.location("A", "XY")], effective_from=None
        )
        published = await factories.add_revision(connection, made, "C", [factories.location("A", "XY")])
    change = "UPDATE plan_revisions SET document = '{}' WHERE id = %s"
    for login in (SERVICE, MIGRATIONS):
        with logged_in(settings.database_url, login) as connection:
            assert not refusal(connection, change, draft)
            assert "stay as they are" in refusal(connection, change, published)
            connection.execute("CREATE TEMPORARY TABLE revision_events (LIKE public.revision_events)")
            assert "stay as they are" in refusal(connection, change, published)


def test_reports_see_no_password_token_or_code(database_url: str) -> None:
    secrets = {"accounts": "password_hash", "tokens": "token_hash", "enrolment_codes": "code_hash"}
    with logged_in(database_url, REPORTS) as connection:
        for table, column in secrets.items():
            query = sql.SQL("SELECT {} FROM {} LIMIT 0").format(sql.Identifier(column), sql.Identifier(table))
            with pytest.raises(REFUSED), connection.transaction():
                connection.execute(query)

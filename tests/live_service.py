"""This module runs the real service in a process of its own and makes callers of every kind for it.

def test_something(service: Running) -> None:
    client = service.client_for(["auditor"])
    assert client.get("/api/v1/sites").status_code == 200
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from uuid import UUID

import boto3
import httpx
import msgspec
import psycopg
from botocore.config import Config

from deploy.embedded.ports import free_port
from deploy.embedded.postgres import MIGRATIONS
from deploy.embedded.processes import Child
from deploy.embedded.store import ObjectStore
from service.access.actions.tokens import hash_of
from service.contract.access import AgentEnrolled, SignedIn
from service.contract.wire import new_id
from service.database import metadata
from service.settings import Settings
from tests.engines import as_login

if TYPE_CHECKING:
    from types_boto3_s3 import S3Client

READY_SECONDS = 60
ROOT = Path(__file__).parents[1]


@dataclass
class Running:
    """A service that answers at `url`. It puts callers straight into the database, so that a test pays no
    password hash; only `account` makes a caller who can sign in."""

    settings: Settings
    child: Child
    clients: ExitStack = field(default_factory=ExitStack)

    @property
    def url(self) -> str:
        return self.settings.public_url

    def log(self) -> str:
        return self.child.log.read_text()

    def log_with(self, text: str, seconds: float = 5) -> str:
        """Returns the log once it holds `text`: an answer may be read before its line is written."""
        deadline = time.monotonic() + seconds
        while text not in (log := self.log()) and time.monotonic() < deadline:
            time.sleep(0.05)
        return log

    def client(self, token: str | None = None, **more: Any) -> httpx.Client:
        """Returns a client; without a token the caller is nobody."""
        headers = {} if token is None else {"Authorization": f"Bearer {token}"}
        return self.clients.enter_context(
            httpx.Client(base_url=self.url, headers=headers, timeout=30, **more)
        )

    def client_for(self, roles: Sequence[str], sites: Sequence[str] | None = None) -> httpx.Client:
        """Returns the client of a signed-in person with these roles at these sites (None: every site)."""
        return self.client(token_of_person(self.settings, roles, sites)[1])

    def agent_client(self, site: str) -> httpx.Client:
        """Returns the client of an enrolled workstation, whose id GET /callers/me tells. A site that is not
        there is made."""
        return self.client(token_of_agent(self.settings, site)[1])

    def account(
        self, login: str, password: str, roles: Sequence[str], sites: Sequence[str] | None = None
    ) -> UUID:
        """Makes an account that can sign in with its password. It gets its roles by the database: some of
        them need two administrators."""
        administrator = self.client_for(["administrator"])
        account_id = new_id()
        body = {"login": login, "name": login.title(), "roles": ["auditor"], "password": password}
        sites_sent = None if sites is None else list(sites)
        answer = administrator.put(f"/api/v1/accounts/{account_id}", json={**body, "sites": sites_sent})
        answer.raise_for_status()
        execute(self.settings, "UPDATE accounts SET roles = %s WHERE id = %s", list(roles), account_id)
        return account_id

    def sign_in(self, login: str, password: str) -> SignedIn:
        answer = self.client().post("/api/v1/sessions", json={"login": login, "password": password})
        answer.raise_for_status()
        return msgspec.json.decode(answer.content, type=SignedIn)

    def enrol(self, site: str, name: str = "bench-1") -> AgentEnrolled:
        """Enrols a workstation as a person does it, with a one-time code."""
        make_site(self.settings, site)
        code = (
            self.client_for(["administrator"])
            .post("/api/v1/enrolment-codes", json={"site": site})
            .json()["code"]
        )
        body = {"id": str(new_id()), "code": code, "name": name, "platform": "test", "version": "0"}
        answer = self.client().post("/api/v1/agents", json=body)
        answer.raise_for_status()
        return msgspec.json.decode(answer.content, type=AgentEnrolled)


def owners_url(settings: Settings) -> str:
    """The address of the service's database with the login of its owner, as the tests look into it."""
    return as_login(settings.database_url, MIGRATIONS)


def driver_url(settings: Settings) -> str:
    """`owners_url` for the driver: the tests see and plant what the service could not."""
    return owners_url(settings).replace("postgresql+psycopg://", "postgresql://")


def execute(settings: Settings, statement: str, *values: object) -> list[Any]:
    """Runs one statement in the service's database as its owner and returns its rows."""
    with psycopg.connect(driver_url(settings)) as connection:
        cursor = connection.execute(statement, values)
        return cursor.fetchall() if cursor.description else []


@contextmanager
def rewriting(url: str, *tables: str) -> Iterator[psycopg.Connection[Any]]:
    """Yields a transaction of the owner in which these tables can be rewritten, for a test that stands for
    another database or another time; the tables are protected again at its end."""
    address = as_login(url, MIGRATIONS).replace("+psycopg", "")
    with psycopg.connect(address) as connection:
        for table in tables:
            connection.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")
        yield connection
        # A row that a key was checked for leaves events behind, beside which no table is altered.
        connection.execute("SET CONSTRAINTS ALL IMMEDIATE")
        for table in tables:
            for (name,) in connection.execute(
                "SELECT tgname FROM pg_trigger WHERE tgrelid = %s::regclass AND NOT tgisinternal", [table]
            ).fetchall():
                connection.execute(f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {name}")


def everything_held(settings: Settings) -> dict[str, list[Any]]:
    """Returns for every table the number of rows and a sum over their content. If both are the same before
    and after, nothing was written."""
    query = "SELECT count(*), coalesce(sum(hashtextextended(t::text, 0)), 0) FROM {} t"
    return {name: execute(settings, query.format(name)) for name in sorted(metadata.tables)}


def make_site(settings: Settings, code: str, time_zone: str = "Europe/Dublin") -> None:
    with psycopg.connect(driver_url(settings)) as connection:
        connection.execute(
            "INSERT INTO sites (id, code, name, kind, time_zone) VALUES (%s, %s, %s, 'works', %s) "
            "ON CONFLICT DO NOTHING",
            (new_id(), code, f"Site {code}", time_zone),
        )


def token_of_person(
    settings: Settings, roles: Sequence[str], sites: Sequence[str] | None = None
) -> tuple[UUID, str]:
    """A person's id and the token of a session; the account has no password."""
    account_id, token, now = new_id(), f"slp_{new_id().hex}", datetime.now(UTC)
    with psycopg.connect(driver_url(settings)) as connection:
        connection.execute(
            "INSERT INTO accounts (id, login, name, password_hash, roles, sites, created_at) "
            "VALUES (%s, %s, %s, '-', %s, %s, %s)",
            (
                account_id,
                f"test-{account_id}",
                f"Test {account_id.hex[-6:]}",
                list(roles),
                None if sites is None else list(sites),
                now,
            ),
        )
        connection.execute(
            "INSERT INTO tokens (id, token_hash, account_id, created_at, used_at) "
            "VALUES (%s, %s, %s, %s, %s)",
            (new_id(), hash_of(token), account_id, now, now),
        )
    return account_id, token


def token_for_agent(settings: Settings, agent_id: UUID) -> str:
    """Makes a further token for an agent that is there."""
    token = f"sla_{new_id().hex}"
    execute(
        settings,
        "INSERT INTO tokens (id, token_hash, agent_id, created_at) VALUES (%s, %s, %s, %s)",
        new_id(), hash_of(token), agent_id, datetime.now(UTC),
    )  # fmt: skip
    return token


def token_of_agent(settings: Settings, site: str) -> tuple[UUID, str]:
    """An agent's id and token."""
    make_site(settings, site)
    agent_id, token, now = new_id(), f"sla_{new_id().hex}", datetime.now(UTC)
    with psycopg.connect(driver_url(settings)) as connection:
        connection.execute(
            "INSERT INTO agents (id, site_id, name, platform, version, enrolled_at) "
            "SELECT %s, id, %s, 'test', '0', %s FROM sites WHERE code = %s",
            (agent_id, f"ws-{agent_id.hex[-6:]}", now, site),
        )
        connection.execute(
            "INSERT INTO tokens (id, token_hash, agent_id, created_at, used_at) VALUES (%s, %s, %s, %s, %s)",
            (new_id(), hash_of(token), agent_id, now, now),
        )
    return agent_id, token


def environment_of(settings: Settings, **more: str) -> dict[str, str]:
    """The variables from which a process reads these settings."""
    ours = {name: str(value) for name, value in msgspec.to_builtins(settings).items()}
    kept = {name: value for name, value in os.environ.items() if not name.startswith("SIGHTLEDGER_")}
    return {**kept, **ours, "PYTHONPATH": str(ROOT), **more}


@contextmanager
def running_service(settings: Settings, folder: Path, **environment: str) -> Iterator[Running]:
    """Runs the service under its real server on a free port; `settings` say everything else. The service ends
    with the block, or with this process however that ends."""
    port = free_port()
    settings = msgspec.structs.replace(
        settings, host="127.0.0.1", port=port, public_url=f"http://127.0.0.1:{port}"
    )
    child = Child(
        [sys.executable, "-m", "service", "serve"],
        log=folder / f"service-{port}.log",
        environment=environment_of(settings, **environment),
        folder=ROOT,
    )
    running = Running(settings, child)
    try:
        _wait_until_live(running)
        yield running
    finally:
        running.clients.close()
        child.stop()


def _wait_until_live(running: Running) -> None:
    deadline = time.monotonic() + READY_SECONDS
    while time.monotonic() < deadline and running.child.poll() is None:
        try:
            if httpx.get(f"{running.url}/health/live", timeout=2).status_code == 200:
                return
        except httpx.TransportError:
            time.sleep(0.05)
    raise AssertionError(f"The service did not start:\n{running.child.said(40)}")


def client_of(settings: Settings) -> S3Client:
    """Returns a client of the store that uses none of our own code."""
    return boto3.client(
        "s3",
        endpoint_url=settings.s3_endpoint,
        region_name=settings.s3_region,
        aws_access_key_id=settings.s3_access_key,
        aws_secret_access_key=settings.s3_secret_key,
        config=Config(s3={"addressing_style": "path"}, proxies={}, max_pool_connections=4),
    )


def with_store(settings: Settings, store: ObjectStore, **more: Any) -> Settings:
    """Returns the same settings for another store."""
    return msgspec.structs.replace(
        settings,
        s3_endpoint=store.endpoint,
        s3_public_endpoint=store.endpoint,
        s3_bucket=store.bucket,
        s3_access_key=store.access_key,
        s3_secret_key=store.secret_key,
        **more,
    )

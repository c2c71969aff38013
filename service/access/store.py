"""SQL of sites, accounts, agents and tokens."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import JSONB, insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.noting import access_events as access_events
from service.access.noting import note as note
from service.access.rules import SPEAKERS, KeyFact
from service.database import (
    Row,
    id_column,
    metadata,
    moment,
    reference,
    server_now,
    text,
    texts,
    working,
)
from service.errors import NotFound
from service.facts.store import fact_table

sites = sa.Table(
    "sites",
    metadata,
    id_column(),
    text("code", unique=True),
    text("name"),
    text("kind"),
    text("time_zone"),
    # The code of a card profile; NULL: the agent's own choice.
    text("card_profile", nullable=True),
    info=working("name", "kind", "time_zone", "card_profile"),
)

# People of a site who work there without an account. A name that is taken off keeps its row with `until`:
# what was said in it came from somebody.
site_people = sa.Table(
    "site_people",
    metadata,
    reference("site_id", "sites.id", primary_key=True),
    text("name", primary_key=True),
    moment("since"),
    moment("until", nullable=True),
    info=working("until"),
)

# `sites` NULL means every site; roles are the codes of service.access.rules.
accounts = sa.Table(
    "accounts",
    metadata,
    id_column(),
    text("login", unique=True),
    text("name"),
    text("password_hash"),
    texts("roles"),
    texts("sites", nullable=True),
    moment("created_at"),
    moment("closed_at", nullable=True),
    # When somebody else set the password, and who; NULL once the person has set another.
    moment("reset_at", nullable=True),
    reference("reset_by", "accounts.id", nullable=True),
    info=working(
        *("login", "name", "roles", "sites", "password_hash", "closed_at", "reset_at", "reset_by"),
        secret=["password_hash"],
    ),
)

# Changes of accounts that wait for a second administrator, or waited: what was, what is to be, who decided.
account_proposals = sa.Table(
    "account_proposals",
    metadata,
    id_column(),
    reference("account_id", "accounts.id", index=True),
    texts("roles_before"),
    texts("sites_before", nullable=True),
    texts("roles"),
    texts("sites", nullable=True),
    text("password_hash", nullable=True),
    reference("proposed_by", "accounts.id"),
    moment("proposed_at"),
    text("decision", nullable=True),
    reference("decided_by", "accounts.id", nullable=True),
    moment("decided_at", nullable=True),
    info=working("decision", "decided_by", "decided_at", "password_hash", secret=["password_hash"]),
)

agents = sa.Table(
    "agents",
    metadata,
    id_column(),
    reference("site_id", "sites.id", index=True),
    text("name"),
    text("platform"),
    text("version"),
    moment("enrolled_at"),
    moment("last_seen_at", nullable=True),
    moment("retired_at", nullable=True),
    sa.Column("report", JSONB(none_as_null=True)),
    sa.Column("clock_offset_s", sa.Double),
    info=working("platform", "version", "last_seen_at", "retired_at", "report", "clock_offset_s"),
)

# Only the SHA-256 of a token is kept: 256 random bits need no slow hash.
tokens = sa.Table(
    "tokens",
    metadata,
    id_column(),
    sa.Column("token_hash", sa.LargeBinary, nullable=False, unique=True),
    reference("account_id", "accounts.id", nullable=True, index=True),
    reference("agent_id", "agents.id", nullable=True, index=True),
    moment("created_at"),
    moment("expires_at", nullable=True),
    moment("revoked_at", nullable=True),
    # A moment at most USED_SECONDS before the token was last used; NULL: it never was.
    moment("used_at", nullable=True),
    sa.CheckConstraint("(account_id IS NULL) <> (agent_id IS NULL)", name="one_holder"),
    info=working("revoked_at", "used_at", "expires_at", secret=["token_hash"]),
)

# Browsers that an account was signed in to from; only the SHA-256 of what they show is kept.
devices = sa.Table(
    "devices",
    metadata,
    id_column(),
    sa.Column("token_hash", sa.LargeBinary, nullable=False, unique=True),
    reference("account_id", "accounts.id", index=True),
    moment("created_at"),
    info=working(deleted=True, secret=["token_hash"]),
)
MOST_DEVICES = 20

USED_SECONDS = 300

enrolment_codes = sa.Table(
    "enrolment_codes",
    metadata,
    id_column(),
    sa.Column("code_hash", sa.LargeBinary, nullable=False, unique=True),
    reference("site_id", "sites.id"),
    moment("created_at"),
    moment("expires_at"),
    moment("used_at", nullable=True),
    reference("agent_id", "agents.id", nullable=True),
    info=working("used_at", "agent_id", secret=["code_hash"]),
)

# Each key that ever signed receipts, by its RFC 7638 thumbprint, with its public half (`x`, RFC 8037 2); and
# whether it is trusted, with the reason where it is not.
key_facts = fact_table(
    "key_facts",
    text("key_id", index=True),
    text("x"),
    sa.Column("trusted", sa.Boolean, nullable=False),
    text("reason", nullable=True),
)


_account_fields = [
    accounts.c[name]
    for name in ("id", "login", "name", "roles", "sites", "closed_at", "created_at", "reset_at", "reset_by")
]
_agent_fields = [
    *(agents.c[name] for name in ("id", "name", "enrolled_at", "last_seen_at", "retired_at", "report")),
    agents.c.clock_offset_s,
    agents.c.platform,
    agents.c.version,
    sites.c.code.label("site"),
]
_agents_at_sites = agents.join(sites, sites.c.id == agents.c.site_id)


async def account_by_login(connection: AsyncConnection, login: str) -> Row | None:
    query = sa.select(*_account_fields, accounts.c.password_hash).where(accounts.c.login == login)
    return (await connection.execute(query)).mappings().first()


async def account(connection: AsyncConnection, account_id: UUID, *, lock: bool = False) -> Row | None:
    query = sa.select(*_account_fields, accounts.c.password_hash).where(accounts.c.id == account_id)
    found = await connection.execute(query.with_for_update() if lock else query)
    return found.mappings().first()


async def account_page(
    connection: AsyncConnection, after: str | None, limit: int, at: Iterable[str] | None
) -> list[Row]:
    """Accounts by login; `at` keeps those that are limited to some of these sites."""
    query = sa.select(*_account_fields).order_by(accounts.c.login).limit(limit)
    if after is not None:
        query = query.where(accounts.c.login > after)
    if at is not None:
        query = query.where(accounts.c.sites.overlap(list(at)))
    return list((await connection.execute(query)).mappings())


async def insert_account(connection: AsyncConnection, row: Mapping[str, Any]) -> bool:
    """False when the id or the login is taken."""
    query = insert(accounts).values(**row).on_conflict_do_nothing().returning(accounts.c.id)
    return (await connection.scalar(query)) is not None


async def administrators(connection: AsyncConnection, *, but: UUID | None = None) -> list[Row]:
    """Administrators whose account is open."""
    query = sa.select(*_account_fields).where(
        accounts.c.closed_at.is_(None), accounts.c.roles.contains(["administrator"])
    )
    if but is not None:
        query = query.where(accounts.c.id != but)
    return list((await connection.execute(query)).mappings())


async def update_account(connection: AsyncConnection, account_id: UUID, **changed: Any) -> None:
    await connection.execute(sa.update(accounts).where(accounts.c.id == account_id).values(**changed))


async def insert_code(connection: AsyncConnection, row: Mapping[str, Any]) -> None:
    await connection.execute(sa.insert(enrolment_codes).values(**row))


async def lock_code(connection: AsyncConnection, code_hash: bytes) -> Row | None:
    """The code, locked until the transaction ends, so that two enrolments cannot both use it."""
    query = (
        sa.select(
            enrolment_codes, sites.c.code.label("site"), sites.c.name.label("site_name"), sites.c.time_zone
        )
        .join(sites, sites.c.id == enrolment_codes.c.site_id)
        .where(enrolment_codes.c.code_hash == code_hash)
        .with_for_update(of=enrolment_codes)
    )
    return (await connection.execute(query)).mappings().first()


async def use_code(connection: AsyncConnection, code_id: UUID, agent_id: UUID) -> None:
    query = sa.update(enrolment_codes).where(enrolment_codes.c.id == code_id)
    await connection.execute(query.values(used_at=server_now(), agent_id=agent_id))


async def insert_agent(connection: AsyncConnection, row: Mapping[str, Any]) -> bool:
    """False when the id is taken."""
    query = insert(agents).values(**row).on_conflict_do_nothing().returning(agents.c.id)
    return (await connection.scalar(query)) is not None


async def agent(connection: AsyncConnection, agent_id: UUID) -> Row | None:
    query = sa.select(*_agent_fields).select_from(_agents_at_sites).where(agents.c.id == agent_id)
    return (await connection.execute(query)).mappings().first()


async def agent_page(
    connection: AsyncConnection, after: tuple[str, str, UUID] | None, limit: int, at: Iterable[str] | None
) -> list[Row]:
    """Agents in service, by site, name and id."""
    order = (sites.c.code, agents.c.name, agents.c.id)
    query = sa.select(*_agent_fields).select_from(_agents_at_sites).where(agents.c.retired_at.is_(None))
    if after is not None:
        query = query.where(sa.tuple_(*order) > sa.tuple_(*after))
    if at is not None:
        query = query.where(sites.c.code.in_(list(at)))
    return list((await connection.execute(query.order_by(*order).limit(limit))).mappings())


async def update_agent(connection: AsyncConnection, agent_id: UUID, **changed: Any) -> None:
    await connection.execute(sa.update(agents).where(agents.c.id == agent_id).values(**changed))


async def site(connection: AsyncConnection, code: str, *, lock: bool = False) -> Row | None:
    query = sa.select(sites).where(sites.c.code == code)
    return (await connection.execute(query.with_for_update() if lock else query)).mappings().first()


async def known_site(connection: AsyncConnection, code: str, *, lock: bool = False) -> Row:
    """As `site`; raises NotFound."""
    found = await site(connection, code, lock=lock)
    if found is None:
        raise NotFound(f"There is no site {code}.", next_step="Take a code of GET /api/v1/sites.")
    return found


async def site_page(
    connection: AsyncConnection, after: str | None, limit: int, at: Iterable[str] | None
) -> list[Row]:
    query = sa.select(sites).order_by(sites.c.code).limit(limit)
    if after is not None:
        query = query.where(sites.c.code > after)
    if at is not None:
        query = query.where(sites.c.code.in_(list(at)))
    return list((await connection.execute(query)).mappings())


async def unknown_sites(connection: AsyncConnection, codes: Iterable[str]) -> list[str]:
    """Those of `codes` that are no site."""
    distinct = set(codes)
    known = set(await connection.scalars(sa.select(sites.c.code).where(sites.c.code.in_(distinct))))
    return sorted(distinct - known)


async def insert_site(connection: AsyncConnection, row: Mapping[str, Any]) -> bool:
    """False when the code is taken."""
    query = insert(sites).values(**row).on_conflict_do_nothing().returning(sites.c.id)
    return (await connection.scalar(query)) is not None


async def update_site(connection: AsyncConnection, site_id: UUID, **changed: Any) -> None:
    await connection.execute(sa.update(sites).where(sites.c.id == site_id).values(**changed))


async def register_of(connection: AsyncConnection, site_id: UUID) -> list[str]:
    """The names on a site's register, in order."""
    at = site_people.c
    names = sa.select(at.name).where(at.site_id == site_id, at.until.is_(None)).order_by(at.name)
    return list(await connection.scalars(names))


async def change_register(
    connection: AsyncConnection, site_id: UUID, added: Iterable[str], taken_off: Iterable[str]
) -> None:
    at, now = site_people.c, server_now()
    for name in added:
        entry = insert(site_people).values(site_id=site_id, name=name, since=now, until=None)
        await connection.execute(
            entry.on_conflict_do_update(index_elements=["site_id", "name"], set_={"until": None})
        )
    ended = sa.update(site_people).where(at.site_id == site_id, at.name.in_(list(taken_off)))
    await connection.execute(ended.values(until=now))


async def people_at(connection: AsyncConnection, site: str, *, ever: bool = False) -> list[str]:
    """The names in which a statement may be made at a site: those of its register, and of accounts that may
    make one there. `ever`: also of those who have left."""
    registered = (
        sa.select(site_people.c.name)
        .join(sites, sites.c.id == site_people.c.site_id)
        .where(sites.c.code == site, sa.true() if ever else site_people.c.until.is_(None))
    )
    with_account = sa.select(accounts.c.name).where(
        accounts.c.sites.is_(None) | accounts.c.sites.contains([site]),
        accounts.c.roles.overlap(list(SPEAKERS)),
        sa.true() if ever else accounts.c.closed_at.is_(None),
    )
    return sorted(set(await connection.scalars(registered.union(with_account))))


async def facts_of_keys(connection: AsyncConnection, key_id: str | None = None) -> list[Row]:
    """Every fact about receipt keys, or about one, in the order in which they were recorded."""
    query = sa.select(key_facts).order_by(key_facts.c.number)
    if key_id is not None:
        query = query.where(key_facts.c.key_id == key_id)
    return list((await connection.execute(query)).mappings())


def key_fact_of(row: Row) -> KeyFact:
    return KeyFact(row["id"], frozenset(row["replaces"]), row["key_id"], row["trusted"])

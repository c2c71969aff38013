"""The access log as it is written: what happened, who did it, from where."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import UUID

import sqlalchemy as sa
import structlog
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.origin import origin
from service.access.rules import OPERATOR
from service.contract.wire import new_id
from service.database import (
    afterwards,
    id_column,
    json,
    kept_for_ever,
    metadata,
    moment,
    reference,
    server_now,
    text,
    texts,
)

# What happened to accounts, agents and sites, and who did it; appended to, never changed. A login that
# somebody tried is kept as a hash only: people type passwords into the wrong field. `by_name`: who did it,
# `concerns`: what it was done to, both by the name of the day. `sites` NULL: it concerns no site by itself.
access_events = sa.Table(
    "access_events",
    metadata,
    id_column(),
    text("kind"),
    moment("at"),
    reference("by_account_id", "accounts.id", nullable=True),
    reference("account_id", "accounts.id", nullable=True, index=True),
    reference("agent_id", "agents.id", nullable=True, index=True),
    reference("site_id", "sites.id", nullable=True),
    sa.Column("login_hash", sa.LargeBinary),
    sa.Column("network_hash", sa.LargeBinary),
    sa.Column("device_hash", sa.LargeBinary),
    json("detail", nullable=True),
    reference("by_agent_id", "agents.id", nullable=True),
    text("by_name", nullable=True),
    text("concerns", nullable=True),
    texts("sites", nullable=True),
    sa.Column("times", sa.Integer, nullable=False, server_default="1"),
    text("address", nullable=True),
    text("user_agent", nullable=True),
    text("request_id", nullable=True),
    text("route", nullable=True),
    sa.Index("ix_access_events_login_hash_at", "login_hash", "at"),
    sa.Index("ix_access_events_network_hash_at", "network_hash", "at"),
    sa.Index("ix_access_events_device_hash_at", "device_hash", "at"),
    sa.Index("ix_access_events_at_id", "at", "id"),
    sa.Index("ix_access_events_kind_at", "kind", "at"),
    sa.Index("ix_access_events_by_account_id_at", "by_account_id", "at"),
    info=kept_for_ever(secret=["login_hash", "network_hash", "device_hash"]),
)

# Hashes are for counting, and nobody's to read; a site is named by its code.
SHOWN = [
    column
    for column in access_events.c
    if not isinstance(column.type, sa.LargeBinary) and column.name != "site_id"
]

_log = structlog.get_logger("service.access_events")


async def note(connection: AsyncConnection, kind: str, **more: Any) -> None:
    """Append one event; `more` are columns of access_events. Who did it and from where is that of the
    origin, unless `more` says otherwise. Once it is committed, it is a line of the log too."""
    values = {"id": new_id(), "kind": kind, "at": server_now(), **_by(kind, more), **more}
    values.setdefault("concerns", _concerns(values))
    values.setdefault("sites", _sites_of(values))
    recorded = await connection.execute(sa.insert(access_events).values(values).returning(*SHOWN))
    event = dict(recorded.mappings().one())
    # A command speaks to the person who runs it, not to the collector of a log.
    if origin().acting != OPERATOR.name:
        afterwards(connection, lambda: log_line(event))


def log_line(event: Mapping[str, Any]) -> None:
    """One event as one line; columns without a value are left out."""
    told = {name: value for name, value in event.items() if value is not None}
    _log.info("access event", outcome=outcome_of(event["kind"]), **told)


def outcome_of(kind: str) -> str:
    """Whether what was asked for was done or refused."""
    return "refused" if kind.endswith(("refused", "throttled")) else "done"


def _by(kind: str, more: Mapping[str, Any]) -> dict[str, Any]:
    """Who does it. Whoever signs in or enrols is known only by that."""
    by = origin().columns()
    if kind == "signed_in":
        by["by_account_id"] = more.get("account_id")
    if kind == "agent_enrolled":
        by["by_agent_id"] = more.get("agent_id")
    account_id = more.get("by_account_id") or by["by_account_id"]
    if origin().caller is None and account_id is not None:
        by["by_name"] = _of(_ACCOUNTS, account_id, "name")
    elif origin().caller is None and by["by_agent_id"] is not None:
        by["by_name"] = _of(_AGENTS, by["by_agent_id"], "name")
    return by


# The tables that names and sites come from are declared above this module.
_ACCOUNTS = sa.table("accounts", sa.column("id"), sa.column("name"), sa.column("sites"))
_AGENTS = sa.table("agents", sa.column("id"), sa.column("name"), sa.column("site_id"))
_SITES = sa.table("sites", sa.column("id"), sa.column("code"))


def _of(table: sa.TableClause, key: UUID, column: str) -> Any:
    return sa.select(table.c[column]).where(table.c.id == key).scalar_subquery()


def _concerns(values: Mapping[str, Any]) -> Any:
    """The name of the day of what the event is about."""
    for table, key, column in (
        (_ACCOUNTS, "account_id", "name"),
        (_AGENTS, "agent_id", "name"),
        (_SITES, "site_id", "code"),
    ):
        if values.get(key) is not None:
            return _of(table, values[key], column)
    return None


def _sites_of(values: Mapping[str, Any]) -> Any:
    """The site that the event names, else that of the workstation, else those of the account."""
    code = sa.select(sa.func.array_agg(_SITES.c.code))
    if values.get("site_id") is not None:
        return code.where(_SITES.c.id == values["site_id"]).scalar_subquery()
    account_id = values.get("account_id") or values.get("by_account_id")
    agent_id = values.get("agent_id") or (values.get("by_agent_id") if account_id is None else None)
    if agent_id is not None:
        joined = code.join(_AGENTS, _AGENTS.c.site_id == _SITES.c.id)
        return joined.where(_AGENTS.c.id == agent_id).scalar_subquery()
    return None if account_id is None else _of(_ACCOUNTS, account_id, "sites")

"""SQL of sites, accounts, agents and tokens."""

from __future__ import annotations

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import JSONB

from service.database import id_column, metadata, moment, reference, text, texts

sites = sa.Table(
    "sites",
    metadata,
    id_column(),
    text("code", unique=True),
    text("name"),
    text("kind"),
    text("time_zone"),
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
    sa.CheckConstraint("(account_id IS NULL) <> (agent_id IS NULL)", name="one_holder"),
)

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
)

"""Tables of custody: runs, readings of originals, retention policies and what is locked by them."""

from __future__ import annotations

import sqlalchemy as sa

from service.database import EVERY, json, metadata, moment, reference, text, working
from service.facts.store import fact_table

# One pass over the store, or a part of it, with what it found; appended when it ends.
custody_runs = fact_table(
    "custody_runs",
    None,
    text("kind"),
    moment("started_at"),
    moment("ended_at"),
    json("found"),
    sa.Index("ix_custody_runs_kind_number", "kind", "number"),
)

# An original was read back from the store, under the name of a site (its code), at the store's time
# (`read_at`). Each replaces the one that stood when it was recorded, under the lock of image_custody's row.
image_readings = fact_table(
    "image_readings",
    text("digest", index=True),
    text("site"),
    sa.Column("run_id", sa.UUID(as_uuid=True), nullable=False),
    text("outcome"),
    text("told", nullable=True),
    text("kept_version", nullable=True),
    moment("read_at"),
    sa.ForeignKeyConstraint(["digest"], ["images.digest"]),
)

# Of each original the last reading (a projection of image_readings) and its lock as last set.
image_custody = sa.Table(
    "image_custody",
    metadata,
    text("digest", primary_key=True),
    sa.Column("reading_id", sa.UUID(as_uuid=True)),
    sa.Column("number", sa.BigInteger),
    text("outcome", nullable=True),
    text("told", nullable=True),
    text("kept_version", nullable=True),
    moment("read_at", nullable=True),
    text("locked_version", nullable=True),
    text("lock_mode", nullable=True),
    moment("locked_until", nullable=True),
    moment("renew_at", nullable=True),
    sa.ForeignKeyConstraint(["digest"], ["images.digest"]),
    sa.Index("ix_image_custody_number", "number"),
    sa.Index("ix_image_custody_renew_at", "renew_at"),
    sa.Index("ix_image_custody_not_sound", "digest", postgresql_where=sa.text("outcome <> 'sound'")),
    info=working(EVERY),
)

# How long a site wants its originals locked, each policy replacing the one before; `turn` counts them.
retention_policies = fact_table(
    "retention_policies",
    reference("site_id", "sites.id"),
    sa.Column("turn", sa.Integer, nullable=False),
    sa.Column("days", sa.Integer, nullable=False),
    text("mode"),
    sa.UniqueConstraint("site_id", "turn"),
)

# The policy by which the originals of a card return were locked.
return_locks = sa.Table(
    "return_locks",
    metadata,
    reference("card_return_id", "card_returns.id", primary_key=True),
    reference("policy_id", "retention_policies.id"),
    info=working("policy_id"),
)

"""SQL of equipment types, builds, plans and their revisions."""

from __future__ import annotations

import sqlalchemy as sa

from service.database import id_column, ids, json, metadata, moment, reference, text, texts

equipment_types = sa.Table("equipment_types", metadata, id_column(), text("code", unique=True), text("name"))

builds = sa.Table(
    "builds",
    metadata,
    id_column(),
    reference("type_id", "equipment_types.id"),
    text("code"),
    text("name"),
    sa.UniqueConstraint("type_id", "code"),
)

plans = sa.Table(
    "plans",
    metadata,
    id_column(),
    text("code", unique=True),
    text("title"),
    reference("type_id", "equipment_types.id"),
    moment("created_at"),
)

# `document` may change only while the revision is a draft (I10); `version` counts those edits (ETag).
# `digest` is the SHA-256 of the canonical document.
plan_revisions = sa.Table(
    "plan_revisions",
    metadata,
    id_column(),
    reference("plan_id", "plans.id"),
    text("label"),
    sa.Column("version", sa.Integer, nullable=False),
    json("document"),
    text("digest"),
    reference("author_id", "accounts.id"),
    moment("created_at"),
    sa.UniqueConstraint("plan_id", "label"),
)

# Facts; the state of a revision is a fold over them (service.plans.rules).
# effective_from and sites (NULL = all) are given by `published`.
revision_events = sa.Table(
    "revision_events",
    metadata,
    id_column(),
    reference("revision_id", "plan_revisions.id", index=True),
    text("kind"),
    reference("account_id", "accounts.id"),
    moment("recorded_at"),
    text("note", nullable=True),
    moment("effective_from", nullable=True),
    texts("sites", nullable=True),
    ids("replaces"),
)

"""SQL of campaigns, inspections, statements and the completion roll-up."""

from __future__ import annotations

import sqlalchemy as sa

from service.database import id_column, ids, metadata, moment, reference, text, texts

campaigns = sa.Table(
    "campaigns",
    metadata,
    id_column(),
    text("name", unique=True),
    reference("plan_id", "plans.id"),
    sa.Column("opens", sa.Date, nullable=False),
    sa.Column("closes", sa.Date, nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    moment("created_at"),
    moment("closed_at", nullable=True),
    reference("created_by", "accounts.id"),
)

# `revision_id` is the present binding; how it came to be stands in bindings (I10).
inspections = sa.Table(
    "inspections",
    metadata,
    id_column(),
    reference("campaign_id", "campaigns.id"),
    reference("unit_id", "units.id", index=True),
    reference("site_id", "sites.id", index=True),
    reference("type_id", "equipment_types.id"),
    reference("revision_id", "plan_revisions.id"),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("complete", sa.Boolean, nullable=False, server_default=sa.false()),
    moment("created_at"),
    sa.UniqueConstraint("campaign_id", "unit_id"),
)

bindings = sa.Table(
    "bindings",
    metadata,
    id_column(),
    reference("inspection_id", "inspections.id", index=True),
    reference("revision_id", "plan_revisions.id"),
    text("reason"),
    reference("account_id", "accounts.id"),
    moment("recorded_at"),
)

# What people said (I3, I4): appended, never changed. `locations` is the written-out list.
statements = sa.Table(
    "statements",
    metadata,
    id_column(),
    reference("inspection_id", "inspections.id", index=True),
    text("kind"),
    texts("locations"),
    ids("replaces"),
    text("reason", nullable=True),
    text("note", nullable=True),
    text("stated_by"),
    moment("stated_at", nullable=True),
    reference("account_id", "accounts.id", nullable=True),
    reference("agent_id", "agents.id", nullable=True),
    reference("card_return_id", "card_returns.id", nullable=True),
    moment("recorded_at"),
)

# The fold's result per location, kept in the transaction of each fact. Locations that the bound
# revision no longer has stay with `bound` false: what was said and seen there is not lost.
inspection_locations = sa.Table(
    "inspection_locations",
    metadata,
    reference("inspection_id", "inspections.id", primary_key=True),
    text("location_key", primary_key=True),
    sa.Column("ordinal", sa.Integer, nullable=False),
    sa.Column("bound", sa.Boolean, nullable=False),
    sa.Column("applicable", sa.Boolean, nullable=False),
    sa.Column("mandatory", sa.Boolean, nullable=False),
    sa.Column("pictures_required", sa.Integer, nullable=False),
    sa.Column("pictures_held", sa.Integer, nullable=False, server_default="0"),
    text("state"),
    ids("heads"),
)

# One row per campaign, site and type; equal to a recount at every commit.
# `locations` counts bound and applicable ones; the state columns add up to it.
completion = sa.Table(
    "completion",
    metadata,
    reference("campaign_id", "campaigns.id", primary_key=True),
    reference("site_id", "sites.id", primary_key=True),
    reference("type_id", "equipment_types.id", primary_key=True),
    *(
        sa.Column(name, sa.BigInteger, nullable=False, server_default="0")
        for name in (
            "inspections",
            "inspections_complete",
            "locations",
            "complete",
            "omitted",
            "not_inspected",
            "reopened",
            "conflict",
            "no_statement",
            "not_applicable",
            "pictures_required",
            "pictures_held",
        )
    ),
)

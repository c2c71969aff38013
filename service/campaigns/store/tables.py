"""Tables of campaigns: who owes what, what people stated, which pictures stand where."""

from __future__ import annotations

import sqlalchemy as sa

from service.database import (
    EVERY,
    belongs_to_site,
    id_column,
    ids,
    metadata,
    moment,
    reference,
    text,
    texts,
    working,
)
from service.facts.store import fact_table

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
    info=working("name", "opens", "closes", "closed_at", "version"),
)

# `revision_id` is the present binding; how it came to be stands in bindings (I10). The last three are kept
# from unit_images and the revision's scale, as `complete` from the locations (rules.OpenPictures).
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
    sa.Column("pictures_engineering", sa.Integer, nullable=False, server_default="0"),
    sa.Column("pictures_second_look", sa.Integer, nullable=False, server_default="0"),
    sa.Column("pictures_unplaced", sa.Integer, nullable=False, server_default="0"),
    moment("created_at"),
    sa.UniqueConstraint("campaign_id", "unit_id"),
    info=working(
        "revision_id",
        "version",
        "complete",
        "pictures_engineering",
        "pictures_second_look",
        "pictures_unplaced",
    ),
)

# To which revision an inspection is bound, each replacing the one before.
bindings = fact_table(
    "bindings",
    reference("inspection_id", "inspections.id", index=True),
    reference("revision_id", "plan_revisions.id"),
    text("reason"),
)

# What people said. `locations` is the list written out when it was said; `every_location`: the inspection's
# locations were not named one by one. `stated_by` NULL: whoever recorded it (`by_name`).
statements = fact_table(
    "statements",
    reference("inspection_id", "inspections.id", index=True),
    text("kind"),
    texts("locations"),
    sa.Column("every_location", sa.Boolean, nullable=False),
    text("reason", nullable=True),
    text("note", nullable=True),
    text("stated_by", nullable=True),
    moment("stated_at", nullable=True),
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
    info=working(EVERY),
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
            "inspections_blocked",
            "locations",
            "complete",
            "complete_short",
            "omitted",
            "not_inspected",
            "reopened",
            "conflict",
            "no_statement",
            "not_applicable",
            "pictures_required",
            "pictures_held",
            "pictures_required_held",
            "pictures_engineering",
            "pictures_second_look",
            "pictures_unplaced",
        )
    ),
    info=working(EVERY),
)

# Which image stands at which place of which unit: the rolled-up answer to the history question,
# one row however often the file was seen. A projection: every column follows from sightings and placements
# alone (service.intake.store.showing). Those are of a context above: no foreign key names them, and a recount
# finds what does not follow. The words and the time are those of the first sighting there, of the fact that
# puts it there; the first is the least by card return and place in its manifest, whenever it came,
# among those that count and tell of the picture. `counted`: it counts as a picture of its location.
unit_images = sa.Table(
    "unit_images",
    metadata,
    id_column(),
    reference("unit_id", "units.id"),
    reference("inspection_id", "inspections.id"),
    text("digest"),
    text("location_key", server_default=""),
    sa.Column("element", sa.Integer, nullable=False, server_default="0"),
    sa.Column("element_last", sa.Integer),
    text("evaluation", nullable=True),
    text("condition", nullable=True),
    text("note", nullable=True),
    sa.Column("first_sighting_id", sa.UUID(as_uuid=True), nullable=False),
    sa.Column("placement_id", sa.UUID(as_uuid=True), nullable=False),
    sa.Column("sightings", sa.Integer, nullable=False),
    sa.Column("counted", sa.Boolean, nullable=False),
    moment("taken_at"),
    text("taken_basis"),
    sa.ForeignKeyConstraint(["digest"], ["images.digest"]),
    sa.UniqueConstraint("inspection_id", "digest", "location_key", "element"),
    sa.Index("ix_unit_images_history", "unit_id", "taken_at", "id"),
    sa.Index("ix_unit_images_location", "unit_id", "location_key", "taken_at", "id"),
    sa.Index("ix_unit_images_digest", "digest"),
    sa.Index(
        "ix_unit_images_uncounted",
        "inspection_id",
        postgresql_where=sa.text("location_key = '' OR NOT counted"),
    ),
    info=working(deleted=True),
)

belongs_to_site(bindings, "inspection_id", "site_id")
belongs_to_site(statements, "inspection_id", "site_id")
belongs_to_site(inspection_locations, "inspection_id", "site_id")
belongs_to_site(unit_images, "inspection_id", "site_id")
belongs_to_site(completion, "site_id")

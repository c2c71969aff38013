"""SQL of units, images, sightings and the history of one serial number."""

from __future__ import annotations

import sqlalchemy as sa

from service.database import id_column, json, metadata, moment, reference, text, texts

units = sa.Table(
    "units",
    metadata,
    id_column(),
    text("serial", unique=True),
    reference("type_id", "equipment_types.id"),
    reference("build_id", "builds.id"),
    reference("site_id", "sites.id", index=True),
    text("position", nullable=True),
    moment("created_at"),
    sa.Column("invented", sa.Boolean, nullable=False, server_default=sa.false()),
)

# Where a unit stood, dated: the serial number is the identity, the position is not.
unit_positions = sa.Table(
    "unit_positions",
    metadata,
    id_column(),
    reference("unit_id", "units.id", index=True),
    reference("site_id", "sites.id"),
    text("position", nullable=True),
    sa.Column("since", sa.Date, nullable=False),
    moment("recorded_at"),
)

# The bytes, named by digest. A row exists only after the store was seen to hold them (I5).
images = sa.Table(
    "images",
    metadata,
    text("digest", primary_key=True),
    sa.Column("size", sa.BigInteger, nullable=False),
    text("kind"),
    text("format", nullable=True),
    sa.Column("width", sa.Integer),
    sa.Column("height", sa.Integer),
    json("exif"),
    texts("marks"),
    moment("verified_at"),
    text("thumbnail", nullable=True),
)

# One file seen on one card at one path, with the four clocks as read (I9):
# Exif in images.exif, file system (zone unknown), agent UTC, server UTC.
sightings = sa.Table(
    "sightings",
    metadata,
    id_column(),
    reference("card_return_id", "card_returns.id"),
    sa.Column("ordinal", sa.Integer, nullable=False),
    text("digest"),
    text("path"),
    sa.Column("path_bytes", sa.LargeBinary, nullable=False),
    text("modified", nullable=True),
    moment("read_at"),
    moment("received_at"),
    texts("marks"),
    sa.ForeignKeyConstraint(["digest"], ["images.digest"]),
    sa.UniqueConstraint("card_return_id", "ordinal"),
    sa.Index("ix_sightings_digest", "digest"),
)

# Which image stands at which place of which unit: the rolled-up answer to the history question,
# one row however often the file was seen. `taken_at` is the best estimate, `taken_basis` says from what;
# it sorts a page and decides nothing (I4).
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
    reference("first_sighting_id", "sightings.id"),
    sa.Column("sightings", sa.Integer, nullable=False),
    moment("taken_at"),
    text("taken_basis"),
    sa.ForeignKeyConstraint(["digest"], ["images.digest"]),
    sa.UniqueConstraint("inspection_id", "digest", "location_key", "element"),
    sa.Index("ix_unit_images_history", "unit_id", "taken_at", "id"),
    sa.Index("ix_unit_images_location", "unit_id", "location_key", "taken_at", "id"),
    sa.Index("ix_unit_images_digest", "digest"),
)

"""Tables of intake: cards, card returns with their manifests, sightings, placements, moves and receipts."""

from __future__ import annotations

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import JSONB

from service.database import (
    belongs_to_site,
    id_column,
    ids,
    json,
    kept_for_ever,
    metadata,
    moment,
    reference,
    text,
    texts,
)
from service.facts.store import fact_table

# Which card was prepared for which inspection, by an agent.
cards = fact_table(
    "cards",
    reference("inspection_id", "inspections.id", index=True),
    reference("site_id", "sites.id"),
    reference("revision_id", "plan_revisions.id"),
    text("profile"),
    sa.Column("folders", sa.Integer, nullable=False),
    text("scope", nullable=True),
    text("person", nullable=True),
    moment("prepared_at"),
)

# `card_id` is what the card's own marker says and may be unknown here: no foreign key.
# `opening` is the request as sent: it may name an inspection or revision unknown here.
card_returns = sa.Table(
    "card_returns",
    metadata,
    id_column(),
    reference("site_id", "sites.id"),
    reference("agent_id", "agents.id"),
    sa.Column("card_id", sa.UUID(as_uuid=True)),
    reference("inspection_id", "inspections.id", nullable=True, index=True),
    reference("revision_id", "plan_revisions.id", nullable=True),
    text("profile"),
    text("scope", nullable=True),
    text("person", nullable=True),
    text("shift", nullable=True),
    json("volume", nullable=True),
    json("opening"),
    moment("started_at"),
    moment("finished_at", nullable=True),
    moment("opened_at"),
    moment("committed_at", nullable=True),
    text("manifest_sha256", nullable=True),
    sa.Column("complete", sa.Boolean),
    text("extent", nullable=True),
    text("extent_note", nullable=True),
    text("confirmed_by", nullable=True),
    sa.Column("aside", JSONB, nullable=False, server_default="[]"),
    sa.Column("files", sa.Integer, nullable=False, server_default="0"),
    sa.Column("files_new", sa.Integer, nullable=False, server_default="0"),
    sa.Column("bytes", sa.BigInteger, nullable=False, server_default="0"),
    sa.Column("bytes_new", sa.BigInteger, nullable=False, server_default="0"),
    sa.Column("not_placed", sa.Integer, nullable=False, server_default="0"),
    sa.Column("unread", JSONB, nullable=False, server_default="[]"),
    sa.Column("remarks", JSONB, nullable=False, server_default="[]"),
    # The ids of the statements that came with the commit, taken or not.
    ids("statements", server_default="{}"),
    sa.Index("ix_card_returns_site", "site_id", "id"),
    sa.Index("ix_card_returns_card", "card_id"),
    sa.Index("ix_card_returns_agent", "agent_id"),
    info=kept_for_ever(
        "finished_at",
        "committed_at",
        "manifest_sha256",
        "complete",
        "extent",
        "extent_note",
        "confirmed_by",
        "aside",
        "files",
        "files_new",
        "bytes",
        "bytes_new",
        "not_placed",
        "unread",
        "remarks",
        "statements",
        sealed="old.committed_at IS NOT NULL",
    ),
)

# The manifest as the agent sent it, part by part, kept as evidence of what was claimed.
card_return_parts = sa.Table(
    "card_return_parts",
    metadata,
    reference("card_return_id", "card_returns.id", primary_key=True),
    sa.Column("part", sa.Integer, primary_key=True),
    sa.Column("files", sa.Integer, nullable=False),
    sa.Column("body", sa.LargeBinary, nullable=False),
    text("body_sha256"),
    info=kept_for_ever(),
)

# One file seen on one card at one path, with the four clocks as read (I9): Exif, file system (zone unknown),
# agent UTC, server UTC. What the file is (`kind`, `marks`) comes from here; `format`, `width`, `height` and
# `exif` are what the agent told of its bytes. `taken_at` is the best estimate, `taken_basis` says from what;
# it sorts a page and decides nothing (I4).
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
    text("kind"),
    texts("marks"),
    text("format", nullable=True),
    sa.Column("width", sa.Integer),
    sa.Column("height", sa.Integer),
    json("exif"),
    moment("taken_at"),
    text("taken_basis"),
    sa.ForeignKeyConstraint(["digest"], ["images.digest"]),
    sa.UniqueConstraint("card_return_id", "ordinal"),
    sa.Index("ix_sightings_digest", "digest", "card_return_id", "ordinal"),
    info=kept_for_ever(),
)

# A person's order to show pictures at another place, with the reason (I12).
picture_moves = fact_table(
    "picture_moves",
    None,
    text("request_sha256"),
    text("reason"),
    reference("undoes", "picture_moves.id", nullable=True, index=True),
)

# From where to where each picture went: the index on both ends puts a move into both histories.
picture_move_items = sa.Table(
    "picture_move_items",
    metadata,
    reference("move_id", "picture_moves.id", primary_key=True),
    sa.Column("ordinal", sa.Integer, primary_key=True),
    text("digest"),
    sa.Column("sightings", sa.Integer, nullable=False),
    reference("from_inspection_id", "inspections.id", nullable=True, index=True),
    text("from_location_key", nullable=True),
    sa.Column("from_element", sa.Integer),
    reference("to_inspection_id", "inspections.id", index=True),
    text("to_location_key", nullable=True),
    sa.Column("to_element", sa.Integer),
    info=kept_for_ever(),
)

# Who or what rule said where a sighting belongs. A move replaces earlier placements (I12), and so does a
# binding that brings a location (`binding_id`). `location_key` NULL: at the inspection, no location known;
# `claimed_key` is then the key that was claimed and that the inspection did not have, `claimed_element` the
# element there. `revision_id` is what the inspection was bound to when this was recorded.
placements = fact_table(
    "placements",
    reference("sighting_id", "sightings.id", index=True),
    reference("inspection_id", "inspections.id", index=True),
    text("location_key", nullable=True),
    text("claimed_key", nullable=True),
    sa.Column("claimed_element", sa.Integer),
    sa.Column("element", sa.Integer),
    sa.Column("element_last", sa.Integer),
    text("evaluation", nullable=True),
    text("condition", nullable=True),
    text("note", nullable=True),
    text("rule"),
    sa.Column("confidence", sa.Double, nullable=False),
    reference("revision_id", "plan_revisions.id"),
    reference("move_id", "picture_moves.id", nullable=True, index=True),
    reference("binding_id", "bindings.id", nullable=True),
)

# The receipt of a card return, signed once more with another key where the first is not trusted any more.
receipts = sa.Table(
    "receipts",
    metadata,
    reference("card_return_id", "card_returns.id", primary_key=True),
    text("key_id", primary_key=True),
    sa.Column("body", sa.LargeBinary, nullable=False),
    moment("issued_at"),
    info=kept_for_ever(),
)

belongs_to_site(card_returns, "site_id")
belongs_to_site(card_return_parts, "card_return_id", "site_id")
belongs_to_site(receipts, "card_return_id", "site_id")
belongs_to_site(sightings, "card_return_id", "site_id")
# Whoever opens the return of a card that was prepared elsewhere is told so.
belongs_to_site(cards, "site_id", read_by_all=True)
# A picture of one site may have stood, or stand, at an inspection of another.
belongs_to_site(placements, "inspection_id", "site_id", read_by_all=True)
belongs_to_site(picture_move_items, "to_inspection_id", "site_id", read_by_all=True)

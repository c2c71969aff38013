"""The first schema"""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.execute("CREATE SEQUENCE fact_numbers")
    op.create_table(
        "accounts",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("login", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("roles", postgresql.ARRAY(sa.Text()), nullable=False),
        sa.Column("sites", postgresql.ARRAY(sa.Text()), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("reset_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("reset_by", sa.UUID(), nullable=True),
        sa.ForeignKeyConstraint(["reset_by"], ["accounts.id"], name=op.f("fk_accounts_reset_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_accounts")),
        sa.UniqueConstraint("login", name=op.f("uq_accounts_login")),
    )
    op.create_table(
        "account_proposals",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=False),
        sa.Column("roles_before", postgresql.ARRAY(sa.Text()), nullable=False),
        sa.Column("sites_before", postgresql.ARRAY(sa.Text()), nullable=True),
        sa.Column("roles", postgresql.ARRAY(sa.Text()), nullable=False),
        sa.Column("sites", postgresql.ARRAY(sa.Text()), nullable=True),
        sa.Column("password_hash", sa.Text(), nullable=True),
        sa.Column("proposed_by", sa.UUID(), nullable=False),
        sa.Column("proposed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("decision", sa.Text(), nullable=True),
        sa.Column("decided_by", sa.UUID(), nullable=True),
        sa.Column("decided_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_account_proposals_account_id")
        ),
        sa.ForeignKeyConstraint(
            ["decided_by"], ["accounts.id"], name=op.f("fk_account_proposals_decided_by")
        ),
        sa.ForeignKeyConstraint(
            ["proposed_by"], ["accounts.id"], name=op.f("fk_account_proposals_proposed_by")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account_proposals")),
    )
    op.create_index(
        op.f("ix_account_proposals_account_id"), "account_proposals", ["account_id"], unique=False
    )
    op.create_table(
        "equipment_types",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_equipment_types")),
        sa.UniqueConstraint("code", name=op.f("uq_equipment_types_code")),
    )
    op.create_table(
        "images",
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("verified_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("thumbnail", sa.Text(), nullable=True),
        sa.Column("no_thumbnail", sa.Text(), nullable=True),
        sa.Column("looked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("format", sa.Text(), nullable=True),
        sa.Column("width", sa.Integer(), nullable=True),
        sa.Column("height", sa.Integer(), nullable=True),
        sa.Column("exif", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=True),
        sa.Column("marks", postgresql.ARRAY(sa.Text()), nullable=True),
        sa.Column("unsound_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_images")),
    )
    op.create_table(
        "large_files",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("parts", sa.LargeBinary(), nullable=False),
        sa.Column("upload_id", sa.Text(), nullable=True),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("asked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("assembled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("verified_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("refused_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("site", "digest", name=op.f("pk_large_files")),
    )
    op.create_table(
        "sites",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("time_zone", sa.Text(), nullable=False),
        sa.Column("card_profile", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sites")),
        sa.UniqueConstraint("code", name=op.f("uq_sites_code")),
    )
    op.create_table(
        "agents",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("site_id", sa.UUID(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("platform", sa.Text(), nullable=False),
        sa.Column("version", sa.Text(), nullable=False),
        sa.Column("enrolled_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_seen_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("retired_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("report", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=True),
        sa.Column("clock_offset_s", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_agents_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_agents")),
    )
    op.create_index(op.f("ix_agents_site_id"), "agents", ["site_id"], unique=False)
    op.create_table(
        "builds",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("type_id", sa.UUID(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["type_id"], ["equipment_types.id"], name=op.f("fk_builds_type_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_builds")),
        sa.UniqueConstraint("type_id", "code", name=op.f("uq_builds_type_id_code")),
    )
    op.create_table(
        "image_custody",
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("reading_id", sa.UUID(), nullable=True),
        sa.Column("number", sa.BigInteger(), nullable=True),
        sa.Column("outcome", sa.Text(), nullable=True),
        sa.Column("told", sa.Text(), nullable=True),
        sa.Column("kept_version", sa.Text(), nullable=True),
        sa.Column("read_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("locked_version", sa.Text(), nullable=True),
        sa.Column("lock_mode", sa.Text(), nullable=True),
        sa.Column("locked_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("renew_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["digest"], ["images.digest"], name=op.f("fk_image_custody_digest")),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_image_custody")),
    )
    op.create_index(
        "ix_image_custody_not_sound",
        "image_custody",
        ["digest"],
        unique=False,
        postgresql_where=sa.text("outcome <> 'sound'"),
    )
    op.create_index("ix_image_custody_number", "image_custody", ["number"], unique=False)
    op.create_index("ix_image_custody_renew_at", "image_custody", ["renew_at"], unique=False)
    op.create_table(
        "plans",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("type_id", sa.UUID(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["type_id"], ["equipment_types.id"], name=op.f("fk_plans_type_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plans")),
        sa.UniqueConstraint("code", name=op.f("uq_plans_code")),
    )
    op.create_table(
        "site_people",
        sa.Column("site_id", sa.UUID(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_site_people_site_id")),
        sa.PrimaryKeyConstraint("site_id", "name", name=op.f("pk_site_people")),
    )
    op.create_table(
        "access_events",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by_account_id", sa.UUID(), nullable=True),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.Column("site_id", sa.UUID(), nullable=True),
        sa.Column("login_hash", sa.LargeBinary(), nullable=True),
        sa.Column("network_hash", sa.LargeBinary(), nullable=True),
        sa.Column("device_hash", sa.LargeBinary(), nullable=True),
        sa.Column("detail", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=True),
        sa.Column("by_agent_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=True),
        sa.Column("concerns", sa.Text(), nullable=True),
        sa.Column("sites", postgresql.ARRAY(sa.Text()), nullable=True),
        sa.Column("times", sa.Integer(), server_default="1", nullable=False),
        sa.Column("address", sa.Text(), nullable=True),
        sa.Column("user_agent", sa.Text(), nullable=True),
        sa.Column("request_id", sa.Text(), nullable=True),
        sa.Column("route", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_access_events_account_id")),
        sa.ForeignKeyConstraint(["by_agent_id"], ["agents.id"], name=op.f("fk_access_events_by_agent_id")),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_access_events_agent_id")),
        sa.ForeignKeyConstraint(
            ["by_account_id"], ["accounts.id"], name=op.f("fk_access_events_by_account_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_access_events_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_access_events")),
    )
    op.create_index(op.f("ix_access_events_account_id"), "access_events", ["account_id"], unique=False)
    op.create_index(op.f("ix_access_events_agent_id"), "access_events", ["agent_id"], unique=False)
    op.create_index("ix_access_events_login_hash_at", "access_events", ["login_hash", "at"], unique=False)
    op.create_index("ix_access_events_at_id", "access_events", ["at", "id"], unique=False)
    op.create_index("ix_access_events_kind_at", "access_events", ["kind", "at"], unique=False)
    op.create_index(
        "ix_access_events_by_account_id_at", "access_events", ["by_account_id", "at"], unique=False
    )
    op.create_table(
        "picture_reads",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("by_account_id", sa.UUID(), nullable=True),
        sa.Column("by_agent_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=False),
        sa.Column("sites", postgresql.ARRAY(sa.Text()), nullable=True),
        sa.Column("address", sa.Text(), nullable=True),
        sa.Column("user_agent", sa.Text(), nullable=True),
        sa.Column("request_id", sa.Text(), nullable=True),
        sa.Column("route", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["by_account_id"], ["accounts.id"], name=op.f("fk_picture_reads_by_account_id")
        ),
        sa.ForeignKeyConstraint(["by_agent_id"], ["agents.id"], name=op.f("fk_picture_reads_by_agent_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_picture_reads")),
    )
    op.create_index("ix_picture_reads_at_id", "picture_reads", ["at", "id"], unique=False)
    op.create_index(
        "ix_picture_reads_by_account_id_at", "picture_reads", ["by_account_id", "at"], unique=False
    )
    op.create_index(op.f("ix_picture_reads_digest"), "picture_reads", ["digest"], unique=False)
    op.create_index("ix_access_events_network_hash_at", "access_events", ["network_hash", "at"], unique=False)
    op.create_index("ix_access_events_device_hash_at", "access_events", ["device_hash", "at"], unique=False)
    op.create_table(
        "campaigns",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("plan_id", sa.UUID(), nullable=False),
        sa.Column("opens", sa.Date(), nullable=False),
        sa.Column("closes", sa.Date(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("created_by", sa.UUID(), nullable=False),
        sa.ForeignKeyConstraint(["created_by"], ["accounts.id"], name=op.f("fk_campaigns_created_by")),
        sa.ForeignKeyConstraint(["plan_id"], ["plans.id"], name=op.f("fk_campaigns_plan_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_campaigns")),
        sa.UniqueConstraint("name", name=op.f("uq_campaigns_name")),
    )
    op.create_table(
        "custody_runs",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("found", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=False),
        sa.Column(
            "number", sa.BigInteger(), server_default=sa.text("nextval('fact_numbers')"), nullable=False
        ),
        sa.Column("replaces", postgresql.ARRAY(sa.UUID()), server_default="{}", nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=True),
        sa.Column("card_return_id", sa.UUID(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_custody_runs_account_id")),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_custody_runs_agent_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_custody_runs")),
        info={"subject": None, "content": ("kind", "started_at", "ended_at", "found", "replaces")},
    )
    op.create_index("ix_custody_runs_kind_number", "custody_runs", ["kind", "number"], unique=False)
    op.create_table(
        "devices",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("token_hash", sa.LargeBinary(), nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_devices_account_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_devices")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_devices_token_hash")),
    )
    op.create_index(op.f("ix_devices_account_id"), "devices", ["account_id"], unique=False)
    op.create_table(
        "enrolment_codes",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("code_hash", sa.LargeBinary(), nullable=False),
        sa.Column("site_id", sa.UUID(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("used_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_enrolment_codes_agent_id")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_enrolment_codes_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_enrolment_codes")),
        sa.UniqueConstraint("code_hash", name=op.f("uq_enrolment_codes_code_hash")),
    )
    op.create_table(
        "image_readings",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("run_id", sa.UUID(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("told", sa.Text(), nullable=True),
        sa.Column("kept_version", sa.Text(), nullable=True),
        sa.Column("read_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column(
            "number", sa.BigInteger(), server_default=sa.text("nextval('fact_numbers')"), nullable=False
        ),
        sa.Column("replaces", postgresql.ARRAY(sa.UUID()), server_default="{}", nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=True),
        sa.Column("card_return_id", sa.UUID(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_image_readings_account_id")),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_image_readings_agent_id")),
        sa.ForeignKeyConstraint(["digest"], ["images.digest"], name=op.f("fk_image_readings_digest")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_image_readings")),
        info={
            "subject": "digest",
            "content": ("digest", "site", "run_id", "outcome", "told", "kept_version", "read_at", "replaces"),
        },
    )
    op.create_index(op.f("ix_image_readings_digest"), "image_readings", ["digest"], unique=False)
    op.create_table(
        "picture_moves",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("request_sha256", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("undoes", sa.UUID(), nullable=True),
        sa.Column(
            "number", sa.BigInteger(), server_default=sa.text("nextval('fact_numbers')"), nullable=False
        ),
        sa.Column("replaces", postgresql.ARRAY(sa.UUID()), server_default="{}", nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=True),
        sa.Column("card_return_id", sa.UUID(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_picture_moves_account_id")),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_picture_moves_agent_id")),
        sa.ForeignKeyConstraint(["undoes"], ["picture_moves.id"], name=op.f("fk_picture_moves_undoes")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_picture_moves")),
        info={"subject": None, "content": ("request_sha256", "reason", "undoes", "replaces")},
    )
    op.create_index(op.f("ix_picture_moves_undoes"), "picture_moves", ["undoes"], unique=False)
    op.create_table(
        "plan_revisions",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("plan_id", sa.UUID(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("document", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("author_id", sa.UUID(), nullable=False),
        sa.Column("author_name", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["author_id"], ["accounts.id"], name=op.f("fk_plan_revisions_author_id")),
        sa.ForeignKeyConstraint(["plan_id"], ["plans.id"], name=op.f("fk_plan_revisions_plan_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plan_revisions")),
        sa.UniqueConstraint("plan_id", "label", name=op.f("uq_plan_revisions_plan_id_label")),
    )
    op.create_table(
        "key_facts",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("key_id", sa.Text(), nullable=False),
        sa.Column("x", sa.Text(), nullable=False),
        sa.Column("trusted", sa.Boolean(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column(
            "number", sa.BigInteger(), server_default=sa.text("nextval('fact_numbers')"), nullable=False
        ),
        sa.Column("replaces", postgresql.ARRAY(sa.UUID()), server_default="{}", nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=True),
        sa.Column("card_return_id", sa.UUID(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_key_facts_account_id")),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_key_facts_agent_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_key_facts")),
        info={"subject": "key_id", "content": ("key_id", "x", "trusted", "reason", "replaces")},
    )
    op.create_index(op.f("ix_key_facts_key_id"), "key_facts", ["key_id"], unique=False)
    op.create_table(
        "retention_policies",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("site_id", sa.UUID(), nullable=False),
        sa.Column("turn", sa.Integer(), nullable=False),
        sa.Column("days", sa.Integer(), nullable=False),
        sa.Column("mode", sa.Text(), nullable=False),
        sa.Column(
            "number", sa.BigInteger(), server_default=sa.text("nextval('fact_numbers')"), nullable=False
        ),
        sa.Column("replaces", postgresql.ARRAY(sa.UUID()), server_default="{}", nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=True),
        sa.Column("card_return_id", sa.UUID(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_retention_policies_account_id")
        ),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_retention_policies_agent_id")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_retention_policies_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_retention_policies")),
        sa.UniqueConstraint("site_id", "turn", name=op.f("uq_retention_policies_site_id_turn")),
        info={"subject": "site_id", "content": ("site_id", "turn", "days", "mode", "replaces")},
    )
    op.create_table(
        "tokens",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("token_hash", sa.LargeBinary(), nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("used_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("(account_id IS NULL) <> (agent_id IS NULL)", name=op.f("ck_tokens_one_holder")),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_tokens_account_id")),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_tokens_agent_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tokens")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_tokens_token_hash")),
    )
    op.create_index(op.f("ix_tokens_account_id"), "tokens", ["account_id"], unique=False)
    op.create_index(op.f("ix_tokens_agent_id"), "tokens", ["agent_id"], unique=False)
    op.create_table(
        "units",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("serial", sa.Text(), nullable=False),
        sa.Column("type_id", sa.UUID(), nullable=False),
        sa.Column("build_id", sa.UUID(), nullable=False),
        sa.Column("site_id", sa.UUID(), nullable=False),
        sa.Column("position", sa.Text(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("invented", sa.Boolean(), server_default=sa.text("false"), nullable=False),
        sa.ForeignKeyConstraint(["build_id"], ["builds.id"], name=op.f("fk_units_build_id")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_units_site_id")),
        sa.ForeignKeyConstraint(["type_id"], ["equipment_types.id"], name=op.f("fk_units_type_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_units")),
        sa.UniqueConstraint("serial", name=op.f("uq_units_serial")),
    )
    op.create_index(op.f("ix_units_site_id"), "units", ["site_id"], unique=False)
    op.create_table(
        "completion",
        sa.Column("campaign_id", sa.UUID(), nullable=False),
        sa.Column("site_id", sa.UUID(), nullable=False),
        sa.Column("type_id", sa.UUID(), nullable=False),
        sa.Column("inspections", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("inspections_complete", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("inspections_blocked", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("locations", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("complete", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("complete_short", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("omitted", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("not_inspected", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("reopened", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("conflict", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("no_statement", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("not_applicable", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("pictures_required", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("pictures_held", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("pictures_required_held", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("pictures_engineering", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("pictures_second_look", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("pictures_unplaced", sa.BigInteger(), server_default="0", nullable=False),
        sa.ForeignKeyConstraint(["campaign_id"], ["campaigns.id"], name=op.f("fk_completion_campaign_id")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_completion_site_id")),
        sa.ForeignKeyConstraint(["type_id"], ["equipment_types.id"], name=op.f("fk_completion_type_id")),
        sa.PrimaryKeyConstraint("campaign_id", "site_id", "type_id", name=op.f("pk_completion")),
    )
    op.create_table(
        "inspections",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("campaign_id", sa.UUID(), nullable=False),
        sa.Column("unit_id", sa.UUID(), nullable=False),
        sa.Column("site_id", sa.UUID(), nullable=False),
        sa.Column("type_id", sa.UUID(), nullable=False),
        sa.Column("revision_id", sa.UUID(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("complete", sa.Boolean(), server_default=sa.text("false"), nullable=False),
        sa.Column("pictures_engineering", sa.Integer(), server_default="0", nullable=False),
        sa.Column("pictures_second_look", sa.Integer(), server_default="0", nullable=False),
        sa.Column("pictures_unplaced", sa.Integer(), server_default="0", nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["campaign_id"], ["campaigns.id"], name=op.f("fk_inspections_campaign_id")),
        sa.ForeignKeyConstraint(
            ["revision_id"], ["plan_revisions.id"], name=op.f("fk_inspections_revision_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_inspections_site_id")),
        sa.ForeignKeyConstraint(["type_id"], ["equipment_types.id"], name=op.f("fk_inspections_type_id")),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_inspections_unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inspections")),
        sa.UniqueConstraint("campaign_id", "unit_id", name=op.f("uq_inspections_campaign_id_unit_id")),
    )
    op.create_index(op.f("ix_inspections_site_id"), "inspections", ["site_id"], unique=False)
    op.create_index(op.f("ix_inspections_unit_id"), "inspections", ["unit_id"], unique=False)
    op.create_table(
        "revision_events",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("revision_id", sa.UUID(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("effective_from", sa.DateTime(timezone=True), nullable=True),
        sa.Column("sites", postgresql.ARRAY(sa.Text()), nullable=True),
        sa.Column(
            "number", sa.BigInteger(), server_default=sa.text("nextval('fact_numbers')"), nullable=False
        ),
        sa.Column("replaces", postgresql.ARRAY(sa.UUID()), server_default="{}", nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=True),
        sa.Column("card_return_id", sa.UUID(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_revision_events_account_id")),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_revision_events_agent_id")),
        sa.ForeignKeyConstraint(
            ["revision_id"], ["plan_revisions.id"], name=op.f("fk_revision_events_revision_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_revision_events")),
        info={
            "subject": "revision_id",
            "content": ("revision_id", "kind", "note", "effective_from", "sites", "replaces"),
        },
    )
    op.create_index(op.f("ix_revision_events_revision_id"), "revision_events", ["revision_id"], unique=False)
    op.create_table(
        "unit_positions",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("unit_id", sa.UUID(), nullable=False),
        sa.Column("site_id", sa.UUID(), nullable=False),
        sa.Column("position", sa.Text(), nullable=True),
        sa.Column("since", sa.Date(), nullable=False),
        sa.Column(
            "number", sa.BigInteger(), server_default=sa.text("nextval('fact_numbers')"), nullable=False
        ),
        sa.Column("replaces", postgresql.ARRAY(sa.UUID()), server_default="{}", nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=True),
        sa.Column("card_return_id", sa.UUID(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_unit_positions_account_id")),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_unit_positions_agent_id")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_unit_positions_site_id")),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_unit_positions_unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unit_positions")),
        info={"subject": "unit_id", "content": ("unit_id", "site_id", "position", "since", "replaces")},
    )
    op.create_index(op.f("ix_unit_positions_unit_id"), "unit_positions", ["unit_id"], unique=False)
    op.create_table(
        "bindings",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("inspection_id", sa.UUID(), nullable=False),
        sa.Column("revision_id", sa.UUID(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column(
            "number", sa.BigInteger(), server_default=sa.text("nextval('fact_numbers')"), nullable=False
        ),
        sa.Column("replaces", postgresql.ARRAY(sa.UUID()), server_default="{}", nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=True),
        sa.Column("card_return_id", sa.UUID(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_bindings_account_id")),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_bindings_agent_id")),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspections.id"], name=op.f("fk_bindings_inspection_id")
        ),
        sa.ForeignKeyConstraint(["revision_id"], ["plan_revisions.id"], name=op.f("fk_bindings_revision_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bindings")),
        info={"subject": "inspection_id", "content": ("inspection_id", "revision_id", "reason", "replaces")},
    )
    op.create_index(op.f("ix_bindings_inspection_id"), "bindings", ["inspection_id"], unique=False)
    op.create_table(
        "card_returns",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("site_id", sa.UUID(), nullable=False),
        sa.Column("agent_id", sa.UUID(), nullable=False),
        sa.Column("card_id", sa.UUID(), nullable=True),
        sa.Column("inspection_id", sa.UUID(), nullable=True),
        sa.Column("revision_id", sa.UUID(), nullable=True),
        sa.Column("profile", sa.Text(), nullable=False),
        sa.Column("scope", sa.Text(), nullable=True),
        sa.Column("person", sa.Text(), nullable=True),
        sa.Column("shift", sa.Text(), nullable=True),
        sa.Column("volume", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=True),
        sa.Column("opening", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("committed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("manifest_sha256", sa.Text(), nullable=True),
        sa.Column("complete", sa.Boolean(), nullable=True),
        sa.Column("extent", sa.Text(), nullable=True),
        sa.Column("extent_note", sa.Text(), nullable=True),
        sa.Column("confirmed_by", sa.Text(), nullable=True),
        sa.Column("aside", postgresql.JSONB(astext_type=sa.Text()), server_default="[]", nullable=False),
        sa.Column("files", sa.Integer(), server_default="0", nullable=False),
        sa.Column("files_new", sa.Integer(), server_default="0", nullable=False),
        sa.Column("bytes", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("bytes_new", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("not_placed", sa.Integer(), server_default="0", nullable=False),
        sa.Column("unread", postgresql.JSONB(astext_type=sa.Text()), server_default="[]", nullable=False),
        sa.Column("remarks", postgresql.JSONB(astext_type=sa.Text()), server_default="[]", nullable=False),
        sa.Column("statements", postgresql.ARRAY(sa.UUID()), server_default="{}", nullable=False),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_card_returns_agent_id")),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspections.id"], name=op.f("fk_card_returns_inspection_id")
        ),
        sa.ForeignKeyConstraint(
            ["revision_id"], ["plan_revisions.id"], name=op.f("fk_card_returns_revision_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_card_returns_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_card_returns")),
    )
    op.create_index("ix_card_returns_agent", "card_returns", ["agent_id"], unique=False)
    op.create_index("ix_card_returns_card", "card_returns", ["card_id"], unique=False)
    op.create_index(op.f("ix_card_returns_inspection_id"), "card_returns", ["inspection_id"], unique=False)
    op.create_index("ix_card_returns_site", "card_returns", ["site_id", "id"], unique=False)
    op.create_table(
        "cards",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("inspection_id", sa.UUID(), nullable=False),
        sa.Column("site_id", sa.UUID(), nullable=False),
        sa.Column("revision_id", sa.UUID(), nullable=False),
        sa.Column("profile", sa.Text(), nullable=False),
        sa.Column("folders", sa.Integer(), nullable=False),
        sa.Column("scope", sa.Text(), nullable=True),
        sa.Column("person", sa.Text(), nullable=True),
        sa.Column("prepared_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column(
            "number", sa.BigInteger(), server_default=sa.text("nextval('fact_numbers')"), nullable=False
        ),
        sa.Column("replaces", postgresql.ARRAY(sa.UUID()), server_default="{}", nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=True),
        sa.Column("card_return_id", sa.UUID(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_cards_account_id")),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_cards_agent_id")),
        sa.ForeignKeyConstraint(["inspection_id"], ["inspections.id"], name=op.f("fk_cards_inspection_id")),
        sa.ForeignKeyConstraint(["revision_id"], ["plan_revisions.id"], name=op.f("fk_cards_revision_id")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_cards_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cards")),
        info={
            "subject": "inspection_id",
            "content": (
                "inspection_id",
                "site_id",
                "revision_id",
                "profile",
                "folders",
                "scope",
                "person",
                "prepared_at",
                "replaces",
            ),
        },
    )
    op.create_index(op.f("ix_cards_inspection_id"), "cards", ["inspection_id"], unique=False)
    op.create_table(
        "inspection_locations",
        sa.Column("inspection_id", sa.UUID(), nullable=False),
        sa.Column("location_key", sa.Text(), nullable=False),
        sa.Column("ordinal", sa.Integer(), nullable=False),
        sa.Column("bound", sa.Boolean(), nullable=False),
        sa.Column("applicable", sa.Boolean(), nullable=False),
        sa.Column("mandatory", sa.Boolean(), nullable=False),
        sa.Column("pictures_required", sa.Integer(), nullable=False),
        sa.Column("pictures_held", sa.Integer(), server_default="0", nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("heads", postgresql.ARRAY(sa.UUID()), nullable=False),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspections.id"], name=op.f("fk_inspection_locations_inspection_id")
        ),
        sa.PrimaryKeyConstraint("inspection_id", "location_key", name=op.f("pk_inspection_locations")),
    )
    op.create_table(
        "picture_move_items",
        sa.Column("move_id", sa.UUID(), nullable=False),
        sa.Column("ordinal", sa.Integer(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("sightings", sa.Integer(), nullable=False),
        sa.Column("from_inspection_id", sa.UUID(), nullable=True),
        sa.Column("from_location_key", sa.Text(), nullable=True),
        sa.Column("from_element", sa.Integer(), nullable=True),
        sa.Column("to_inspection_id", sa.UUID(), nullable=False),
        sa.Column("to_location_key", sa.Text(), nullable=True),
        sa.Column("to_element", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["from_inspection_id"], ["inspections.id"], name=op.f("fk_picture_move_items_from_inspection_id")
        ),
        sa.ForeignKeyConstraint(
            ["move_id"], ["picture_moves.id"], name=op.f("fk_picture_move_items_move_id")
        ),
        sa.ForeignKeyConstraint(
            ["to_inspection_id"], ["inspections.id"], name=op.f("fk_picture_move_items_to_inspection_id")
        ),
        sa.PrimaryKeyConstraint("move_id", "ordinal", name=op.f("pk_picture_move_items")),
    )
    op.create_index(
        op.f("ix_picture_move_items_from_inspection_id"),
        "picture_move_items",
        ["from_inspection_id"],
        unique=False,
    )
    op.create_index(
        op.f("ix_picture_move_items_to_inspection_id"),
        "picture_move_items",
        ["to_inspection_id"],
        unique=False,
    )
    op.create_table(
        "statements",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("inspection_id", sa.UUID(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("locations", postgresql.ARRAY(sa.Text()), nullable=False),
        sa.Column("every_location", sa.Boolean(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("stated_by", sa.Text(), nullable=True),
        sa.Column("stated_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column(
            "number", sa.BigInteger(), server_default=sa.text("nextval('fact_numbers')"), nullable=False
        ),
        sa.Column("replaces", postgresql.ARRAY(sa.UUID()), server_default="{}", nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=True),
        sa.Column("card_return_id", sa.UUID(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_statements_account_id")),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_statements_agent_id")),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspections.id"], name=op.f("fk_statements_inspection_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_statements")),
        info={
            "subject": "inspection_id",
            "content": (
                "inspection_id",
                "kind",
                "locations",
                "every_location",
                "reason",
                "note",
                "stated_by",
                "stated_at",
                "replaces",
            ),
        },
    )
    op.create_index(op.f("ix_statements_inspection_id"), "statements", ["inspection_id"], unique=False)
    op.create_table(
        "unit_images",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("unit_id", sa.UUID(), nullable=False),
        sa.Column("inspection_id", sa.UUID(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("location_key", sa.Text(), server_default="", nullable=False),
        sa.Column("element", sa.Integer(), server_default="0", nullable=False),
        sa.Column("element_last", sa.Integer(), nullable=True),
        sa.Column("evaluation", sa.Text(), nullable=True),
        sa.Column("condition", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("first_sighting_id", sa.UUID(), nullable=False),
        sa.Column("placement_id", sa.UUID(), nullable=False),
        sa.Column("sightings", sa.Integer(), nullable=False),
        sa.Column("counted", sa.Boolean(), nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("taken_basis", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["digest"], ["images.digest"], name=op.f("fk_unit_images_digest")),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspections.id"], name=op.f("fk_unit_images_inspection_id")
        ),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name=op.f("fk_unit_images_unit_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unit_images")),
        sa.UniqueConstraint(
            "inspection_id",
            "digest",
            "location_key",
            "element",
            name=op.f("uq_unit_images_inspection_id_digest_location_key_element"),
        ),
    )
    op.create_index("ix_unit_images_digest", "unit_images", ["digest"], unique=False)
    op.create_index("ix_unit_images_history", "unit_images", ["unit_id", "taken_at", "id"], unique=False)
    op.create_index(
        "ix_unit_images_location", "unit_images", ["unit_id", "location_key", "taken_at", "id"], unique=False
    )
    op.create_index(
        "ix_unit_images_uncounted",
        "unit_images",
        ["inspection_id"],
        unique=False,
        postgresql_where=sa.text("location_key = '' OR NOT counted"),
    )
    op.create_table(
        "awaited_files",
        sa.Column("card_return_id", sa.UUID(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["card_return_id"], ["card_returns.id"], name=op.f("fk_awaited_files_card_return_id")
        ),
        sa.PrimaryKeyConstraint("card_return_id", "digest", name=op.f("pk_awaited_files")),
    )
    op.create_index("ix_awaited_files_digest", "awaited_files", ["digest"], unique=False)
    op.create_table(
        "card_return_parts",
        sa.Column("card_return_id", sa.UUID(), nullable=False),
        sa.Column("part", sa.Integer(), nullable=False),
        sa.Column("files", sa.Integer(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("body_sha256", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["card_return_id"], ["card_returns.id"], name=op.f("fk_card_return_parts_card_return_id")
        ),
        sa.PrimaryKeyConstraint("card_return_id", "part", name=op.f("pk_card_return_parts")),
    )
    op.create_table(
        "receipts",
        sa.Column("card_return_id", sa.UUID(), nullable=False),
        sa.Column("key_id", sa.Text(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("issued_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["card_return_id"], ["card_returns.id"], name=op.f("fk_receipts_card_return_id")
        ),
        sa.PrimaryKeyConstraint("card_return_id", "key_id", name=op.f("pk_receipts")),
    )
    op.create_table(
        "refused_statements",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("card_return_id", sa.UUID(), nullable=False),
        sa.Column("inspection_id", sa.UUID(), nullable=False),
        sa.Column("statement", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("next_step", sa.Text(), nullable=True),
        sa.Column(
            "number", sa.BigInteger(), server_default=sa.text("nextval('fact_numbers')"), nullable=False
        ),
        sa.Column("replaces", postgresql.ARRAY(sa.UUID()), server_default="{}", nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name=op.f("fk_refused_statements_account_id")
        ),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_refused_statements_agent_id")),
        sa.ForeignKeyConstraint(
            ["card_return_id"], ["card_returns.id"], name=op.f("fk_refused_statements_card_return_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_refused_statements")),
        info={
            "subject": "card_return_id",
            "content": ("card_return_id", "inspection_id", "statement", "why", "next_step", "replaces"),
        },
    )
    op.create_index(
        op.f("ix_refused_statements_card_return_id"), "refused_statements", ["card_return_id"], unique=False
    )
    op.create_index(
        op.f("ix_refused_statements_inspection_id"), "refused_statements", ["inspection_id"], unique=False
    )
    op.create_table(
        "return_locks",
        sa.Column("card_return_id", sa.UUID(), nullable=False),
        sa.Column("policy_id", sa.UUID(), nullable=False),
        sa.ForeignKeyConstraint(
            ["card_return_id"], ["card_returns.id"], name=op.f("fk_return_locks_card_return_id")
        ),
        sa.ForeignKeyConstraint(
            ["policy_id"], ["retention_policies.id"], name=op.f("fk_return_locks_policy_id")
        ),
        sa.PrimaryKeyConstraint("card_return_id", name=op.f("pk_return_locks")),
    )
    op.create_table(
        "sightings",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("card_return_id", sa.UUID(), nullable=False),
        sa.Column("ordinal", sa.Integer(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("path_bytes", sa.LargeBinary(), nullable=False),
        sa.Column("modified", sa.Text(), nullable=True),
        sa.Column("read_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("marks", postgresql.ARRAY(sa.Text()), nullable=False),
        sa.Column("format", sa.Text(), nullable=True),
        sa.Column("width", sa.Integer(), nullable=True),
        sa.Column("height", sa.Integer(), nullable=True),
        sa.Column("exif", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("taken_basis", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["card_return_id"], ["card_returns.id"], name=op.f("fk_sightings_card_return_id")
        ),
        sa.ForeignKeyConstraint(["digest"], ["images.digest"], name=op.f("fk_sightings_digest")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sightings")),
        sa.UniqueConstraint("card_return_id", "ordinal", name=op.f("uq_sightings_card_return_id_ordinal")),
    )
    op.create_index("ix_sightings_digest", "sightings", ["digest", "card_return_id", "ordinal"], unique=False)
    op.create_table(
        "placements",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("sighting_id", sa.UUID(), nullable=False),
        sa.Column("inspection_id", sa.UUID(), nullable=False),
        sa.Column("location_key", sa.Text(), nullable=True),
        sa.Column("claimed_key", sa.Text(), nullable=True),
        sa.Column("claimed_element", sa.Integer(), nullable=True),
        sa.Column("element", sa.Integer(), nullable=True),
        sa.Column("element_last", sa.Integer(), nullable=True),
        sa.Column("evaluation", sa.Text(), nullable=True),
        sa.Column("condition", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("rule", sa.Text(), nullable=False),
        sa.Column("confidence", sa.Double(), nullable=False),
        sa.Column("revision_id", sa.UUID(), nullable=False),
        sa.Column("move_id", sa.UUID(), nullable=True),
        sa.Column("binding_id", sa.UUID(), nullable=True),
        sa.Column(
            "number", sa.BigInteger(), server_default=sa.text("nextval('fact_numbers')"), nullable=False
        ),
        sa.Column("replaces", postgresql.ARRAY(sa.UUID()), server_default="{}", nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=True),
        sa.Column("card_return_id", sa.UUID(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_placements_account_id")),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_placements_agent_id")),
        sa.ForeignKeyConstraint(["binding_id"], ["bindings.id"], name=op.f("fk_placements_binding_id")),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspections.id"], name=op.f("fk_placements_inspection_id")
        ),
        sa.ForeignKeyConstraint(["move_id"], ["picture_moves.id"], name=op.f("fk_placements_move_id")),
        sa.ForeignKeyConstraint(
            ["revision_id"], ["plan_revisions.id"], name=op.f("fk_placements_revision_id")
        ),
        sa.ForeignKeyConstraint(["sighting_id"], ["sightings.id"], name=op.f("fk_placements_sighting_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_placements")),
        info={
            "subject": "sighting_id",
            "content": (
                "sighting_id",
                "inspection_id",
                "location_key",
                "claimed_key",
                "claimed_element",
                "element",
                "element_last",
                "evaluation",
                "condition",
                "note",
                "rule",
                "confidence",
                "revision_id",
                "move_id",
                "binding_id",
                "replaces",
            ),
        },
    )
    op.create_index(op.f("ix_placements_inspection_id"), "placements", ["inspection_id"], unique=False)
    op.create_index(op.f("ix_placements_move_id"), "placements", ["move_id"], unique=False)
    op.create_index(op.f("ix_placements_sighting_id"), "placements", ["sighting_id"], unique=False)
    op.create_table(
        "refusals_settled",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("refused_id", sa.UUID(), nullable=False),
        sa.Column("statement_id", sa.UUID(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column(
            "number", sa.BigInteger(), server_default=sa.text("nextval('fact_numbers')"), nullable=False
        ),
        sa.Column("replaces", postgresql.ARRAY(sa.UUID()), server_default="{}", nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("agent_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=True),
        sa.Column("card_return_id", sa.UUID(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_refusals_settled_account_id")),
        sa.ForeignKeyConstraint(["agent_id"], ["agents.id"], name=op.f("fk_refusals_settled_agent_id")),
        sa.ForeignKeyConstraint(
            ["refused_id"], ["refused_statements.id"], name=op.f("fk_refusals_settled_refused_id")
        ),
        sa.ForeignKeyConstraint(
            ["statement_id"], ["statements.id"], name=op.f("fk_refusals_settled_statement_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_refusals_settled")),
        sa.UniqueConstraint("refused_id", name=op.f("uq_refusals_settled_refused_id")),
        info={"subject": "refused_id", "content": ("refused_id", "statement_id", "reason", "replaces")},
    )
    op.create_table(
        "identities",
        sa.Column("issuer", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=False),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_identities_account_id")),
        sa.PrimaryKeyConstraint("issuer", "subject", name=op.f("pk_identities")),
        sa.UniqueConstraint("account_id", name=op.f("uq_identities_account_id")),
    )
    op.create_table(
        "provider_sessions",
        sa.Column("token_id", sa.UUID(), nullable=False),
        sa.Column("issuer", sa.Text(), nullable=False),
        sa.Column("session_id", sa.Text(), nullable=True),
        sa.Column("id_token", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["token_id"], ["tokens.id"], name=op.f("fk_provider_sessions_token_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("token_id", name=op.f("pk_provider_sessions")),
    )
    op.create_index(
        "ix_provider_sessions_issuer_session_id", "provider_sessions", ["issuer", "session_id"], unique=False
    )
    _install_queue()


def _install_queue() -> None:
    """The tables of the Postgres-backed job queue, as its library ships them."""
    from procrastinate.schema import SchemaManager

    driver = op.get_bind().connection.driver_connection
    assert driver is not None
    driver.execute(SchemaManager.get_schema())


def downgrade() -> None:
    raise RuntimeError("The first migration is not undone: restore a backup taken before it instead.")

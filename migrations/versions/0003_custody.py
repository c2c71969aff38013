"""Audit of the store, and retention of originals by site"""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import JSONB

revision = "0003"
down_revision = "0002"


def moment(name: str, *, nullable: bool = False) -> sa.Column:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def upgrade() -> None:
    op.create_table(
        "custody_runs",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("number", sa.BigInteger(), sa.Identity(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        moment("started_at"),
        moment("ended_at"),
        sa.Column("found", JSONB(none_as_null=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_custody_runs"),
        sa.UniqueConstraint("number", name="uq_custody_runs_number"),
    )
    op.create_index("ix_custody_runs_kind_number", "custody_runs", ["kind", "number"])
    op.create_table(
        "image_readings",
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("number", sa.BigInteger(), sa.Identity(), nullable=False),
        sa.Column("run_id", sa.UUID(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("told", sa.Text(), nullable=True),
        sa.Column("kept_version", sa.Text(), nullable=True),
        moment("read_at"),
        sa.PrimaryKeyConstraint("digest", "number", name="pk_image_readings"),
        sa.ForeignKeyConstraint(["digest"], ["images.digest"], name="fk_image_readings_digest"),
    )
    op.create_table(
        "image_custody",
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=True),
        sa.Column("outcome", sa.Text(), nullable=True),
        sa.Column("told", sa.Text(), nullable=True),
        sa.Column("kept_version", sa.Text(), nullable=True),
        moment("read_at", nullable=True),
        sa.Column("locked_version", sa.Text(), nullable=True),
        sa.Column("lock_mode", sa.Text(), nullable=True),
        moment("locked_until", nullable=True),
        moment("renew_at", nullable=True),
        sa.PrimaryKeyConstraint("digest", name="pk_image_custody"),
        sa.ForeignKeyConstraint(["digest"], ["images.digest"], name="fk_image_custody_digest"),
    )
    op.create_index("ix_image_custody_number", "image_custody", ["number"])
    op.create_index("ix_image_custody_renew_at", "image_custody", ["renew_at"])
    op.create_index(
        "ix_image_custody_not_sound",
        "image_custody",
        ["digest"],
        postgresql_where=sa.text("outcome <> 'sound'"),
    )
    op.create_table(
        "retention_policies",
        sa.Column("id", sa.UUID(), nullable=False),
        sa.Column("site_id", sa.UUID(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("days", sa.Integer(), nullable=False),
        sa.Column("mode", sa.Text(), nullable=False),
        sa.Column("account_id", sa.UUID(), nullable=True),
        sa.Column("by_name", sa.Text(), nullable=True),
        moment("recorded_at"),
        sa.PrimaryKeyConstraint("id", name="pk_retention_policies"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_retention_policies_site_id"),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name="fk_retention_policies_account_id"),
        sa.UniqueConstraint("site_id", "number", name="uq_retention_policies_site_id_number"),
    )
    op.create_table(
        "return_locks",
        sa.Column("card_return_id", sa.UUID(), nullable=False),
        sa.Column("policy_id", sa.UUID(), nullable=False),
        sa.PrimaryKeyConstraint("card_return_id", name="pk_return_locks"),
        sa.ForeignKeyConstraint(
            ["card_return_id"], ["card_returns.id"], name="fk_return_locks_card_return_id"
        ),
        sa.ForeignKeyConstraint(["policy_id"], ["retention_policies.id"], name="fk_return_locks_policy_id"),
    )


def downgrade() -> None:
    raise RuntimeError("Restore a backup taken before this migration instead.")

"""Large files by parts, and the verification of a manifest part remembered"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_table(
        "large_files",
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("parts", sa.LargeBinary(), nullable=False),
        sa.Column("upload_id", sa.Text(), nullable=True),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("asked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("assembled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("verified_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("refused_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_large_files")),
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


def downgrade() -> None:
    raise RuntimeError("Restore a backup taken before this migration instead.")

"""Audit of the store, and retention of originals by site"""

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    pass


def downgrade() -> None:
    raise RuntimeError("Restore a backup taken before this migration instead.")

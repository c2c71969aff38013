"""Large files by parts, and the verification of a manifest part remembered"""

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    pass


def downgrade() -> None:
    raise RuntimeError("Restore a backup taken before this migration instead.")

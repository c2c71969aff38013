"""A move of pictures may undo another"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    op.add_column("picture_moves", sa.Column("undoes", sa.UUID(), nullable=True))
    op.create_foreign_key("fk_picture_moves_undoes", "picture_moves", "picture_moves", ["undoes"], ["id"])
    op.create_index("ix_picture_moves_undoes", "picture_moves", ["undoes"])
    # Undoing reads the facts of one move.
    op.create_index("ix_placements_move_id", "placements", ["move_id"])


def downgrade() -> None:
    raise RuntimeError("Restore a backup taken before this migration instead.")

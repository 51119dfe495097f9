"""Marks that are taken back: the row stays, with the moment at which it was."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("event_mark", sa.Column("taken_back", sa.DateTime(timezone=True), nullable=True))


def downgrade() -> None:
    op.drop_column("event_mark", "taken_back")

"""Limits of the rules that were set for a door, and who may fetch the feed."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

# SQLite numbers rows by itself only where the key is spelled INTEGER.
WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "alert_limit",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("door_id", WHOLE, nullable=True),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("since", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["door_id"], ["door.id"], name=op.f("fk_alert_limit_door_id_door")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alert_limit")),
    )
    op.create_index(op.f("ix_alert_limit_door_id_name"), "alert_limit", ["door_id", "name"])
    op.create_table(
        "feed",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("token", sa.String(), nullable=False),
        sa.Column("doors", sa.String(), nullable=True),
        sa.Column("made", sa.DateTime(timezone=True), nullable=False),
        sa.Column("retired", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_feed")),
        sa.UniqueConstraint("token", name=op.f("uq_feed_token")),
    )


def downgrade() -> None:
    op.drop_table("feed")
    op.drop_table("alert_limit")

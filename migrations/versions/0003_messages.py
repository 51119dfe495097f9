"""Messages: who is told, what is owed, what goes out."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

# SQLite numbers rows by itself only where the key is spelled INTEGER.
WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "keeper_post",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("user_id", WHOLE, nullable=True),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=True),
        sa.Column("doors", sa.String(), nullable=True),
        sa.Column("least", sa.String(), nullable=False),
        sa.Column("house", sa.Integer(), nullable=False),
        sa.Column("quiet", sa.String(), nullable=False),
        sa.Column("retired", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_keeper_post")),
    )
    op.create_table(
        "message",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("post_id", WHOLE, nullable=False),
        sa.Column("slot", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("body", sa.String(), nullable=False),
        sa.Column("said", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("next_try", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_word", sa.String(), nullable=True),
        sa.Column("sent", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["post_id"], ["keeper_post.id"], name=op.f("fk_message_post_id_keeper_post")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_message")),
        sa.UniqueConstraint("key", name=op.f("uq_message_key")),
    )
    op.create_index(op.f("ix_message_post_id_state"), "message", ["post_id", "state"])
    op.create_table(
        "due",
        sa.Column("event_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("post_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("message_id", WHOLE, nullable=True),
        sa.Column("waits", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["event_id"], ["alert_event.id"], name=op.f("fk_due_event_id_alert_event")),
        sa.ForeignKeyConstraint(["message_id"], ["message.id"], name=op.f("fk_due_message_id_message")),
        sa.ForeignKeyConstraint(["post_id"], ["keeper_post.id"], name=op.f("fk_due_post_id_keeper_post")),
        sa.PrimaryKeyConstraint("event_id", "post_id", name=op.f("pk_due")),
    )
    op.create_index(op.f("ix_due_post_id_message_id"), "due", ["post_id", "message_id"])
    op.create_table(
        "composed",
        sa.Column("slot", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("slot", name=op.f("pk_composed")),
    )


def downgrade() -> None:
    op.drop_table("composed")
    op.drop_table("due")
    op.drop_table("message")
    op.drop_table("keeper_post")

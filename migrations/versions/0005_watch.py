"""The watch over each series as a look left it, and what was said of each series on each night."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

# SQLite numbers rows by itself only where the key is spelled INTEGER.
WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
ONCE = ("door_id", "series", "slot", "revision")
REFUSAL = "what was said stays said: it is inserted to alone"


def upgrade() -> None:
    op.create_table(
        "series_watch",
        sa.Column("door_id", WHOLE, nullable=False),
        sa.Column("series", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("day", sa.Integer(), nullable=False),
        sa.Column("basis", sa.String(), nullable=False),
        sa.Column("state", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["door_id"], ["door.id"], name=op.f("fk_series_watch_door_id_door")),
        sa.PrimaryKeyConstraint("door_id", "series", "kind", "day", name=op.f("pk_series_watch")),
    )
    op.create_table(
        "said",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("door_id", WHOLE, nullable=False),
        sa.Column("series", sa.String(), nullable=False),
        sa.Column("slot", sa.String(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("day", sa.Integer(), nullable=False),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("rate", sa.Double(), nullable=True),
        sa.Column("low", sa.Double(), nullable=True),
        sa.Column("high", sa.Double(), nullable=True),
        sa.Column("stays", sa.Double(), nullable=True),
        sa.Column("stays_low", sa.Double(), nullable=True),
        sa.Column("stays_high", sa.Double(), nullable=True),
        sa.Column("alarm", sa.Boolean(), nullable=True),
        sa.Column("bound", sa.Double(), nullable=True),
        sa.Column("earliest", sa.Integer(), nullable=True),
        sa.Column("latest", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["door_id"], ["door.id"], name=op.f("fk_said_door_id_door")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_said")),
        sa.UniqueConstraint(*ONCE, name=op.f("uq_said_door_id_series_slot_revision")),
    )
    keep()


def keep() -> None:
    """What was said is never changed; said otherwise, it is said again."""
    if op.get_bind().dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER said_no_{verb.lower()} BEFORE {verb} ON said "
                f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
            )
        # INSERT OR REPLACE removes a row of the same key without the trigger of DELETE
        once = " AND ".join(f"{column} = NEW.{column}" for column in ONCE)
        op.execute(
            "CREATE TRIGGER said_no_replace BEFORE INSERT ON said "
            f"WHEN EXISTS (SELECT 1 FROM said WHERE id = NEW.id OR ({once})) "
            f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
        )
        return
    op.execute(
        "CREATE FUNCTION said_stays() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}'; END $$"
    )
    op.execute(
        "CREATE TRIGGER said_stays BEFORE UPDATE OR DELETE OR TRUNCATE ON said "
        "FOR EACH STATEMENT EXECUTE FUNCTION said_stays()"
    )


def downgrade() -> None:
    op.drop_table("said")
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION said_stays()")
    op.drop_table("series_watch")

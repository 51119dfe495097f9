"""Feeler checks: what was felt beside a gauge; rows that are added to, never changed."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

# SQLite numbers rows by itself only where the key is spelled INTEGER.
WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLE = "feeler_check"
REFUSAL = "what was felt stays as it was kept: it is inserted to alone"


def upgrade() -> None:
    op.create_table(
        TABLE,
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("door_id", WHOLE, nullable=False),
        sa.Column("gauge", sa.String(), nullable=False),
        sa.Column("t_ms", WHOLE, nullable=False),
        sa.Column("first_mm", sa.Double(), nullable=False),
        sa.Column("second_mm", sa.Double(), nullable=False),
        sa.Column("third_mm", sa.Double(), nullable=False),
        sa.Column("step_mm", sa.Double(), nullable=False),
        sa.Column("enters", sa.Boolean(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("added", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "first_mm > 0 AND second_mm > 0 AND third_mm > 0 AND step_mm > 0",
            name=op.f("ck_feeler_check_felt"),
        ),
        sa.ForeignKeyConstraint(["door_id"], ["door.id"], name=op.f("fk_feeler_check_door_id_door")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_feeler_check")),
    )
    op.create_index(op.f("ix_feeler_check_door_id_t_ms"), TABLE, ["door_id", "t_ms"])
    _keep()


def _keep() -> None:
    """No row of it is changed or removed."""
    if op.get_bind().dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {TABLE}_no_{verb.lower()} BEFORE {verb} ON {TABLE} "
                f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
            )
        # INSERT OR REPLACE removes a row of the same key without the trigger of DELETE
        op.execute(
            f"CREATE TRIGGER {TABLE}_no_replace BEFORE INSERT ON {TABLE} "
            f"WHEN EXISTS (SELECT 1 FROM {TABLE} WHERE id = NEW.id) "
            f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
        )
        return
    op.execute(
        f"CREATE FUNCTION {TABLE}_stays() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}'; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {TABLE}_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON {TABLE} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {TABLE}_stays()"
    )


def downgrade() -> None:
    op.drop_table(TABLE)
    if op.get_bind().dialect.name == "postgresql":
        op.execute(f"DROP FUNCTION {TABLE}_stays()")

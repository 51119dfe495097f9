"""The bench: load tests of doors, and sample joints broken, whose figures stay as they were seen."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

# SQLite numbers rows by itself only where the key is spelled INTEGER.
WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
SEEN = ("batch_id", "seq", "broken", "moisture_pct", "arm_mm", "load_n", "failed", "points", "added")
REFUSAL = "a broken piece stays as it was seen: strike it out and enter it again"


def upgrade() -> None:
    op.create_table(
        "load_test",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("door_id", WHOLE, nullable=False),
        sa.Column("day", sa.String(), nullable=False),
        sa.Column("place", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("mass_kg", sa.Double(), nullable=False),
        sa.Column("strap_mm", sa.Double(), nullable=False),
        sa.Column("cycles", sa.Integer(), nullable=False),
        sa.Column("rack_mm", sa.Double(), nullable=False),
        sa.Column("sd_mm", sa.Double(), nullable=False),
        sa.Column("f_k", sa.Double(), nullable=False),
        sa.Column("low", sa.Double(), nullable=False),
        sa.Column("high", sa.Double(), nullable=False),
        sa.Column("sd_ln", sa.Double(), nullable=False),
        sa.Column("beyond", sa.String(), nullable=True),
        sa.Column("body", sa.String(), nullable=False),
        sa.Column("added", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["door_id"], ["door.id"], name=op.f("fk_load_test_door_id_door")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_load_test")),
    )
    op.create_index(op.f("ix_load_test_door_id"), "load_test", ["door_id"])
    op.create_table(
        "batch",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("made", sa.String(), nullable=False),
        sa.Column("glued", sa.Integer(), nullable=False),
        sa.Column("glue", sa.String(), nullable=False),
        sa.Column("pot", sa.String(), nullable=False),
        sa.Column("species", sa.String(), nullable=False),
        sa.Column("modulus_gpa", sa.Double(), nullable=False),
        sa.Column("moisture_at_glue_up_pct", sa.Double(), nullable=True),
        sa.Column("cure_days", sa.Double(), nullable=True),
        sa.Column("rail_depth_mm", sa.Double(), nullable=False),
        sa.Column("thickness_mm", sa.Double(), nullable=False),
        sa.Column("clamps_urad_per_n_m", sa.Double(), nullable=False),
        sa.Column("joint", sa.String(), nullable=False),
        sa.Column("doors", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("added", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_batch")),
        sa.UniqueConstraint("name", name=op.f("uq_batch_name")),
    )
    op.create_table(
        "piece",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("batch_id", WHOLE, nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("broken", sa.String(), nullable=False),
        sa.Column("moisture_pct", sa.Double(), nullable=True),
        sa.Column("arm_mm", sa.Double(), nullable=False),
        sa.Column("load_n", sa.Double(), nullable=False),
        sa.Column("failed", sa.String(), nullable=False),
        sa.Column("points", sa.String(), nullable=False),
        sa.Column("photo", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("added", sa.DateTime(timezone=True), nullable=False),
        sa.Column("struck", sa.DateTime(timezone=True), nullable=True),
        sa.Column("why", sa.String(), nullable=True),
        sa.CheckConstraint("arm_mm > 0 AND load_n > 0", name=op.f("ck_piece_load_positive")),
        sa.ForeignKeyConstraint(["batch_id"], ["batch.id"], name=op.f("fk_piece_batch_id_batch")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_piece")),
    )
    op.create_index(op.f("ix_piece_batch_id"), "piece", ["batch_id"])
    keep()


def keep() -> None:
    """What was seen of a broken piece stays; it can only be struck out."""
    columns = ", ".join(SEEN)
    if op.get_bind().dialect.name == "sqlite":
        for name, verb in (("update", f"UPDATE OF {columns}"), ("delete", "DELETE")):
            op.execute(
                f"CREATE TRIGGER piece_no_{name} BEFORE {verb} ON piece "
                f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
            )
        # INSERT OR REPLACE removes a row of the same key without the trigger of DELETE
        op.execute(
            "CREATE TRIGGER piece_no_replace BEFORE INSERT ON piece "
            "WHEN EXISTS (SELECT 1 FROM piece WHERE id = NEW.id) "
            f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
        )
        return
    op.execute(
        "CREATE FUNCTION piece_stays() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}'; END $$"
    )
    for name, verb in (("update", f"UPDATE OF {columns}"), ("delete", "DELETE OR TRUNCATE")):
        op.execute(
            f"CREATE TRIGGER piece_no_{name} BEFORE {verb} ON piece "
            "FOR EACH STATEMENT EXECUTE FUNCTION piece_stays()"
        )


def downgrade() -> None:
    op.drop_table("piece")
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION piece_stays()")
    op.drop_table("batch")
    op.drop_table("load_test")

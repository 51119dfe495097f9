"""Trials: drafts, and sealed records and looks that stay as they are."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

# SQLite numbers rows by itself only where the key is spelled INTEGER.
WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
KEPT = {"trial_record": ("seal",), "trial_look": ("seal", "night", "again")}


def upgrade() -> None:
    op.create_table(
        "trial_draft",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("body", sa.String(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("made", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trial_draft")),
    )
    op.create_table(
        "trial_record",
        sa.Column("seal", sa.String(), nullable=False),
        sa.Column("body", sa.String(), nullable=False),
        sa.Column("sealed", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("amends", sa.String(), nullable=True),
        sa.CheckConstraint("length(seal) = 64", name=op.f("ck_trial_record_seal_length")),
        sa.ForeignKeyConstraint(
            ["amends"], ["trial_record.seal"], name=op.f("fk_trial_record_amends_trial_record")
        ),
        sa.PrimaryKeyConstraint("seal", name=op.f("pk_trial_record")),
    )
    op.create_table(
        "trial_look",
        sa.Column("seal", sa.String(), nullable=False),
        sa.Column("night", WHOLE, autoincrement=False, nullable=False),
        sa.Column("again", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("pairs", sa.Integer(), nullable=False),
        sa.Column("estimate", sa.Double(), nullable=True),
        sa.Column("se", sa.Double(), nullable=True),
        sa.Column("tau", sa.Double(), nullable=True),
        sa.Column("factor", sa.Double(), nullable=True),
        sa.Column("low", sa.Double(), nullable=True),
        sa.Column("high", sa.Double(), nullable=True),
        sa.Column("word", sa.String(), nullable=False),
        sa.Column("why", sa.String(), nullable=True),
        sa.Column("facts", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["seal"], ["trial_record.seal"], name=op.f("fk_trial_look_seal_trial_record")),
        sa.PrimaryKeyConstraint("seal", "night", "again", name=op.f("pk_trial_look")),
    )
    for name in KEPT:
        keep(name)


def keep(name: str) -> None:
    """What is sealed or looked at stays."""
    refusal = f"{name} is inserted to alone: its rows stay as they are"
    if op.get_bind().dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {name}_no_{verb.lower()} BEFORE {verb} ON {name} "
                f"BEGIN SELECT RAISE(ABORT, '{refusal}'); END"
            )
        # INSERT OR REPLACE removes a row of the same key without the trigger of DELETE
        same = " AND ".join(f"{column} = NEW.{column}" for column in KEPT[name])
        op.execute(
            f"CREATE TRIGGER {name}_no_replace BEFORE INSERT ON {name} "
            f"WHEN EXISTS (SELECT 1 FROM {name} WHERE {same}) "
            f"BEGIN SELECT RAISE(ABORT, '{refusal}'); END"
        )
        return
    op.execute(
        f"CREATE FUNCTION {name}_stays() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{refusal}'; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {name}_stays BEFORE UPDATE OR DELETE OR TRUNCATE ON {name} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {name}_stays()"
    )


def downgrade() -> None:
    op.drop_table("trial_look")
    op.drop_table("trial_record")
    if op.get_bind().dialect.name == "postgresql":
        for name in KEPT:
            op.execute(f"DROP FUNCTION {name}_stays()")
    op.drop_table("trial_draft")

"""What the nights of a trial go on with."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "trial_fit",
        sa.Column("seal", sa.String(), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("joint", sa.String(), nullable=False),
        sa.Column("basis", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["seal"], ["trial_record.seal"], name=op.f("fk_trial_fit_seal_trial_record")),
        sa.PrimaryKeyConstraint("seal", "place", "joint", name=op.f("pk_trial_fit")),
    )


def downgrade() -> None:
    op.drop_table("trial_fit")

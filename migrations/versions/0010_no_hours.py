"""No hours: they were made of every reading, a third of the file, and nothing read them.

Days stay, and readings of which an hour can be made again. Going back the table comes empty.
"""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLE = "rollup_hour"


def upgrade() -> None:
    op.drop_table(TABLE)


def downgrade() -> None:
    op.create_table(
        TABLE,
        sa.Column("channel_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("hour", WHOLE, autoincrement=False, nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        *(sa.Column(name, sa.Double(), nullable=False) for name in ("mean", "m2", "low", "high")),
        sa.Column("first_ms", WHOLE, nullable=False),
        sa.Column("last_ms", WHOLE, nullable=False),
        sa.Column("calibration_id", WHOLE, nullable=True),
        sa.PrimaryKeyConstraint("channel_id", "hour", name=op.f("pk_rollup_hour")),
        sqlite_with_rowid=False,
    )

"""Versions of a door as built, and the hung line of each: rows that are added to, never changed."""

import json
from datetime import datetime

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

# SQLite numbers rows by itself only where the key is spelled INTEGER.
WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
KEPT = ("door_version", "hung_line")
REFUSAL = "what a door was stays as it was kept: it is inserted to alone"


def upgrade() -> None:
    version = op.create_table(
        "door_version",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("door_id", WHOLE, nullable=False),
        sa.Column("from_ms", WHOLE, nullable=False),
        sa.Column("because", sa.String(), nullable=False),
        sa.Column("moved", sa.String(), nullable=False),
        sa.Column("built", sa.String(), nullable=False),
        sa.Column("added", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["door_id"], ["door.id"], name=op.f("fk_door_version_door_id_door")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_door_version")),
    )
    op.create_index(op.f("ix_door_version_door_id"), "door_version", ["door_id"])
    op.create_table(
        "hung_line",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("version_id", WHOLE, nullable=False),
        sa.Column("because", sa.String(), nullable=False),
        sa.Column("start_day", sa.Integer(), nullable=False),
        sa.Column("stop_day", sa.Integer(), nullable=False),
        sa.Column("good_days", sa.Integer(), nullable=False),
        sa.Column("since_heard", sa.Boolean(), nullable=False),
        sa.Column("gauges", sa.String(), nullable=False),
        sa.Column("moisture_pct", sa.Double(), nullable=True),
        sa.Column("temp_c", sa.Double(), nullable=True),
        sa.Column("rh_pct", sa.Double(), nullable=True),
        sa.Column("drawn", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["version_id"], ["door_version.id"], name=op.f("fk_hung_line_version_id_door_version")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hung_line")),
    )
    op.create_index(op.f("ix_hung_line_version_id"), "hung_line", ["version_id"])
    if version is not None:
        first_versions(version)
    for table in KEPT:
        keep(table)


def first_versions(version: sa.Table) -> None:
    """Each door that is hung already gets the version it was hung as."""
    door = sa.table(
        "door", sa.column("id"), sa.column("built"), sa.column("added", sa.DateTime(timezone=True))
    )
    rows = op.get_bind().execute(sa.select(door.c.id, door.c.built, door.c.added).order_by(door.c.id)).all()
    made = []
    for door_id, built, added in rows:
        hung = json.loads(built).get("hung")
        if hung is not None:
            from_ms = round(datetime.fromisoformat(hung).timestamp() * 1000)
            one = {"door_id": door_id, "from_ms": from_ms, "because": "hung", "moved": "[]"}
            made.append(one | {"built": built, "added": added})
    if made:
        op.bulk_insert(version, made)


def keep(table: str) -> None:
    """No row of it is changed or removed."""
    if op.get_bind().dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
            )
        # INSERT OR REPLACE removes a row of the same key without the trigger of DELETE
        op.execute(
            f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE id = NEW.id) "
            f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
        )
        return
    op.execute(
        f"CREATE FUNCTION {table}_stays() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}'; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_stays()"
    )


def downgrade() -> None:
    for table in reversed(KEPT):
        op.drop_table(table)
        if op.get_bind().dialect.name == "postgresql":
            op.execute(f"DROP FUNCTION {table}_stays()")

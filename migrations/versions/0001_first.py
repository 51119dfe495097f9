"""The first tables: doors, readings, credentials, looks and alerts."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

# SQLite numbers rows by itself only where the key is spelled INTEGER.
WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
REFUSAL = "alert_event is inserted to alone: its rows stay as they are"
ONCE = ("alert_id", "slot", "kind", "step", "detail")


def upgrade() -> None:
    op.create_table(
        "day_shut",
        sa.Column("channel_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("day", WHOLE, autoincrement=False, nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("median", sa.Double(), nullable=False),
        sa.Column("low", sa.Double(), nullable=False),
        sa.Column("high", sa.Double(), nullable=False),
        sa.Column("calibration_id", WHOLE, nullable=True),
        sa.PrimaryKeyConstraint("channel_id", "day", name=op.f("pk_day_shut")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "dirty_day",
        sa.Column("channel_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("day", WHOLE, autoincrement=False, nullable=False),
        sa.Column("touched", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("channel_id", "day", name=op.f("pk_dirty_day")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "downlink",
        sa.Column("topic", sa.String(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("rev", WHOLE, nullable=False),
        sa.Column("changed", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("topic", name=op.f("pk_downlink")),
    )
    op.create_table(
        "inspection",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("scope", sa.String(), nullable=False),
        sa.Column("slot", sa.String(), nullable=False),
        sa.Column("looked", sa.DateTime(timezone=True), nullable=False),
        sa.Column("until_ms", WHOLE, nullable=False),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("took_s", sa.Double(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inspection")),
        sa.UniqueConstraint("scope", "slot", name=op.f("uq_inspection_scope_slot")),
    )
    op.create_table(
        "instant",
        sa.Column("journal_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("seq", WHOLE, autoincrement=False, nullable=False),
        sa.Column("t_ms", WHOLE, nullable=False),
        sa.Column("clock", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("journal_id", "seq", name=op.f("pk_instant")),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "ix_instant_drift",
        "instant",
        ["journal_id", "t_ms"],
        sqlite_where=sa.text("clock = 1"),
        postgresql_where=sa.text("clock = 1"),
    )
    op.create_table(
        "journal_span",
        sa.Column("journal_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("seq_from", WHOLE, autoincrement=False, nullable=False),
        sa.Column("seq_to", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("journal_id", "seq_from", name=op.f("pk_journal_span")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "reading",
        sa.Column("channel_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("t_ms", WHOLE, autoincrement=False, nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("channel_id", "t_ms", name=op.f("pk_reading")),
        postgresql_partition_by="RANGE (t_ms)",
        sqlite_with_rowid=False,
    )
    op.create_table(
        "ref_window",
        sa.Column("channel_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("fortnight", WHOLE, autoincrement=False, nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("median", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("channel_id", "fortnight", name=op.f("pk_ref_window")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "rollup_day",
        sa.Column("channel_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("day", WHOLE, autoincrement=False, nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("mean", sa.Double(), nullable=False),
        sa.Column("m2", sa.Double(), nullable=False),
        sa.Column("low", sa.Double(), nullable=False),
        sa.Column("high", sa.Double(), nullable=False),
        sa.Column("first_ms", WHOLE, nullable=False),
        sa.Column("last_ms", WHOLE, nullable=False),
        sa.Column("calibration_id", WHOLE, nullable=True),
        sa.PrimaryKeyConstraint("channel_id", "day", name=op.f("pk_rollup_day")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "rollup_hour",
        sa.Column("channel_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("hour", WHOLE, autoincrement=False, nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("mean", sa.Double(), nullable=False),
        sa.Column("m2", sa.Double(), nullable=False),
        sa.Column("low", sa.Double(), nullable=False),
        sa.Column("high", sa.Double(), nullable=False),
        sa.Column("first_ms", WHOLE, nullable=False),
        sa.Column("last_ms", WHOLE, nullable=False),
        sa.Column("calibration_id", WHOLE, nullable=True),
        sa.PrimaryKeyConstraint("channel_id", "hour", name=op.f("pk_rollup_hour")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "site",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("latitude", sa.Double(), nullable=True),
        sa.Column("longitude", sa.Double(), nullable=True),
        sa.Column("zone", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site")),
        sa.UniqueConstraint("name", name=op.f("uq_site_name")),
    )
    op.create_table(
        "condition",
        sa.Column("site_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("topic", sa.String(), nullable=False),
        sa.Column("about", sa.String(), nullable=False),
        sa.Column("slot", sa.String(), nullable=False),
        sa.Column("counts", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_condition_site_id_site")),
        sa.PrimaryKeyConstraint("site_id", "topic", "about", "slot", name=op.f("pk_condition")),
    )
    op.create_table(
        "door",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("site_id", WHOLE, nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("shown", sa.String(), nullable=False),
        sa.Column("hung", sa.DateTime(timezone=True), nullable=False),
        sa.Column("added", sa.DateTime(timezone=True), nullable=False),
        sa.Column("width_mm", sa.Double(), nullable=False),
        sa.Column("height_mm", sa.Double(), nullable=False),
        sa.Column("thickness_mm", sa.Double(), nullable=False),
        sa.Column("species", sa.String(), nullable=False),
        sa.Column("joint", sa.String(), nullable=False),
        sa.Column("built", sa.String(), nullable=False),
        sa.CheckConstraint(
            "width_mm > 0 AND height_mm > 0 AND thickness_mm > 0", name=op.f("ck_door_size_positive")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_door_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_door")),
        sa.UniqueConstraint("site_id", "name", name=op.f("uq_door_site_id_name")),
    )
    op.create_table(
        "finding",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("inspection_id", WHOLE, nullable=False),
        sa.Column("topic", sa.String(), nullable=False),
        sa.Column("about", sa.String(), nullable=False),
        sa.Column("evidence", sa.String(), nullable=False),
        sa.Column("rests_on", sa.String(), nullable=False),
        sa.Column("unjudged", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name=op.f("fk_finding_inspection_id_inspection")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding")),
        sa.UniqueConstraint(
            "inspection_id", "topic", "about", name=op.f("uq_finding_inspection_id_topic_about")
        ),
    )
    op.create_table(
        "node",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("site_id", WHOLE, nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("upload_s", sa.Integer(), nullable=False),
        sa.Column("ppm", sa.Integer(), nullable=False),
        sa.Column("enrolled", sa.DateTime(timezone=True), nullable=False),
        sa.Column("retired", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_heard_ms", WHOLE, nullable=True),
        sa.Column("ack_ms", WHOLE, nullable=False),
        sa.Column("status", sa.String(), nullable=True),
        sa.Column("status_ms", WHOLE, nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_node_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_node")),
        sa.UniqueConstraint("site_id", "name", name=op.f("uq_node_site_id_name")),
    )
    op.create_table(
        "alert",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("site_id", WHOLE, nullable=False),
        sa.Column("topic", sa.String(), nullable=False),
        sa.Column("about", sa.String(), nullable=False),
        sa.Column("door_id", WHOLE, nullable=True),
        sa.Column("raised", sa.String(), nullable=False),
        sa.Column("step", sa.String(), nullable=False),
        sa.Column("worst", sa.String(), nullable=False),
        sa.Column("seen", sa.DateTime(timezone=True), nullable=True),
        sa.Column("left_until", sa.String(), nullable=True),
        sa.Column("ended", sa.String(), nullable=True),
        sa.Column("how", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["door_id"], ["door.id"], name=op.f("fk_alert_door_id_door")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_alert_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alert")),
    )
    with op.batch_alter_table("alert", schema=None) as batch_op:
        batch_op.create_index(
            "uq_alert_open_cause",
            ["site_id", "topic", "about"],
            unique=True,
            sqlite_where=sa.text("ended IS NULL"),
            postgresql_where=sa.text("ended IS NULL"),
        )

    op.create_table(
        "channel",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("node_id", WHOLE, nullable=False),
        sa.Column("door_id", WHOLE, nullable=True),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("quantity", sa.String(), nullable=False),
        sa.Column("place", sa.String(), nullable=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("decimals", sa.Integer(), nullable=False),
        sa.Column("low", sa.Double(), nullable=True),
        sa.Column("high", sa.Double(), nullable=True),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["door_id"], ["door.id"], name=op.f("fk_channel_door_id_door")),
        sa.ForeignKeyConstraint(["node_id"], ["node.id"], name=op.f("fk_channel_node_id_node")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_channel")),
        sa.UniqueConstraint("node_id", "name", name=op.f("uq_channel_node_id_name")),
    )
    with op.batch_alter_table("channel", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_channel_door_id"), ["door_id"], unique=False)

    op.create_table(
        "credential",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("node_id", WHOLE, nullable=True),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("user", sa.String(), nullable=False),
        sa.Column("generation", sa.Integer(), nullable=False),
        sa.Column("salt", sa.LargeBinary(), nullable=False),
        sa.Column("hash", sa.LargeBinary(), nullable=False),
        sa.Column("made", sa.DateTime(timezone=True), nullable=False),
        sa.Column("revoked", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["node_id"], ["node.id"], name=op.f("fk_credential_node_id_node")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_credential")),
        sa.UniqueConstraint("user", name=op.f("uq_credential_user")),
    )
    op.create_table(
        "event_mark",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("site_id", WHOLE, nullable=True),
        sa.Column("door_id", WHOLE, nullable=True),
        sa.Column("node_id", WHOLE, nullable=True),
        sa.Column("t_ms", WHOLE, nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["door_id"], ["door.id"], name=op.f("fk_event_mark_door_id_door")),
        sa.ForeignKeyConstraint(["node_id"], ["node.id"], name=op.f("fk_event_mark_node_id_node")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_event_mark_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_event_mark")),
    )
    with op.batch_alter_table("event_mark", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_event_mark_door_id_t_ms"), ["door_id", "t_ms"], unique=False)

    op.create_table(
        "journal",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("node_id", WHOLE, nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("first_seen", sa.DateTime(timezone=True), nullable=False),
        sa.Column("tail", WHOLE, nullable=False),
        sa.Column("closed", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["node_id"], ["node.id"], name=op.f("fk_journal_node_id_node")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_journal")),
        sa.UniqueConstraint("node_id", "code", name=op.f("uq_journal_node_id_code")),
    )
    op.create_table(
        "quarantine",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("node_id", WHOLE, nullable=True),
        sa.Column("topic", sa.String(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=True),
        sa.Column("sha256", sa.LargeBinary(), nullable=False),
        sa.Column("times", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("record", sa.Integer(), nullable=True),
        sa.Column("arrival_ms", WHOLE, nullable=False),
        sa.Column("properties", sa.String(), nullable=True),
        sa.Column("seq_from", WHOLE, nullable=True),
        sa.Column("seq_to", WHOLE, nullable=True),
        sa.Column("journal", sa.String(), nullable=True),
        sa.Column("until", sa.DateTime(timezone=True), nullable=False),
        sa.Column("replayed", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["node_id"], ["node.id"], name=op.f("fk_quarantine_node_id_node")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_quarantine")),
    )
    with op.batch_alter_table("quarantine", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_quarantine_code_node_id"), ["code", "node_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_quarantine_sha256"), ["sha256"], unique=False)
        batch_op.create_index(batch_op.f("ix_quarantine_until"), ["until"], unique=False)

    op.create_table(
        "series_result",
        sa.Column("door_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("series", sa.String(), nullable=False),
        sa.Column("slot", sa.String(), nullable=False),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=True),
        sa.Column("rate", sa.Double(), nullable=True),
        sa.Column("low", sa.Double(), nullable=True),
        sa.Column("high", sa.Double(), nullable=True),
        sa.Column("facts", sa.String(), nullable=False),
        sa.Column("parts", sa.LargeBinary(), nullable=True),
        sa.ForeignKeyConstraint(["door_id"], ["door.id"], name=op.f("fk_series_result_door_id_door")),
        sa.PrimaryKeyConstraint("door_id", "series", name=op.f("pk_series_result")),
    )
    op.create_table(
        "alert_event",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("alert_id", WHOLE, nullable=False),
        sa.Column("slot", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("step", sa.String(), nullable=False),
        sa.Column("detail", sa.String(), nullable=False),
        sa.Column("evidence", sa.String(), nullable=False),
        sa.Column("words", sa.String(), nullable=True),
        sa.Column("by", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["alert_id"], ["alert.id"], name=op.f("fk_alert_event_alert_id_alert")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alert_event")),
    )
    with op.batch_alter_table("alert_event", schema=None) as batch_op:
        batch_op.create_index(
            "uq_alert_event_once",
            ["alert_id", "slot", "kind", "step", "detail"],
            unique=True,
            sqlite_where=sa.text("by IS NULL"),
            postgresql_where=sa.text("by IS NULL"),
        )

    op.create_table(
        "calibration",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("channel_id", WHOLE, nullable=False),
        sa.Column("from_ms", WHOLE, nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("coefficients", sa.String(), nullable=False),
        sa.Column("unit_out", sa.String(), nullable=False),
        sa.Column("sigma", sa.Double(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("made", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["channel_id"], ["channel.id"], name=op.f("fk_calibration_channel_id_channel")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration")),
        sa.UniqueConstraint("channel_id", "from_ms", name=op.f("uq_calibration_channel_id_from_ms")),
    )
    op.create_table(
        "clock_fix",
        sa.Column("id", WHOLE, nullable=False),
        sa.Column("journal_id", WHOLE, nullable=False),
        sa.Column("t0_ms", WHOLE, nullable=False),
        sa.Column("t1_ms", WHOLE, nullable=False),
        sa.Column("off_ms", WHOLE, nullable=False),
        sa.Column("suspect", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["journal_id"], ["journal.id"], name=op.f("fk_clock_fix_journal_id_journal")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_clock_fix")),
    )
    op.create_table(
        "session",
        sa.Column("client_id", sa.String(), nullable=False),
        sa.Column("credential_id", WHOLE, nullable=False),
        sa.Column("filters", sa.String(), nullable=False),
        sa.Column("acknowledged", sa.String(), nullable=False),
        sa.Column("sent", sa.String(), nullable=False),
        sa.Column("owner", sa.String(), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["credential_id"], ["credential.id"], name=op.f("fk_session_credential_id_credential")
        ),
        sa.PrimaryKeyConstraint("client_id", name=op.f("pk_session")),
    )

    keep_events()


def keep_events() -> None:
    """What is written to the ledger stays."""
    if op.get_bind().dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER alert_event_no_{verb.lower()} BEFORE {verb} ON alert_event "
                f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
            )
        # INSERT OR REPLACE removes a row of the same key without the trigger of DELETE
        once = " AND ".join(f"{column} = NEW.{column}" for column in ONCE)
        op.execute(
            "CREATE TRIGGER alert_event_no_replace BEFORE INSERT ON alert_event "
            "WHEN EXISTS (SELECT 1 FROM alert_event WHERE id = NEW.id) "
            f"OR (NEW.by IS NULL AND EXISTS (SELECT 1 FROM alert_event WHERE by IS NULL AND {once})) "
            f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
        )
        return
    op.execute(
        "CREATE FUNCTION alert_event_stays() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}'; END $$"
    )
    op.execute(
        "CREATE TRIGGER alert_event_stays BEFORE UPDATE OR DELETE OR TRUNCATE ON alert_event "
        "FOR EACH STATEMENT EXECUTE FUNCTION alert_event_stays()"
    )


def downgrade() -> None:
    op.drop_table("session")
    op.drop_table("clock_fix")
    op.drop_table("calibration")
    with op.batch_alter_table("alert_event", schema=None) as batch_op:
        batch_op.drop_index(
            "uq_alert_event_once", sqlite_where=sa.text("by IS NULL"), postgresql_where=sa.text("by IS NULL")
        )

    op.drop_table("alert_event")
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION alert_event_stays()")
    op.drop_table("series_result")
    with op.batch_alter_table("quarantine", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_quarantine_until"))
        batch_op.drop_index(batch_op.f("ix_quarantine_sha256"))
        batch_op.drop_index(batch_op.f("ix_quarantine_code_node_id"))

    op.drop_table("quarantine")
    op.drop_table("journal")
    with op.batch_alter_table("event_mark", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_event_mark_door_id_t_ms"))

    op.drop_table("event_mark")
    op.drop_table("credential")
    with op.batch_alter_table("channel", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_channel_door_id"))

    op.drop_table("channel")
    with op.batch_alter_table("alert", schema=None) as batch_op:
        batch_op.drop_index(
            "uq_alert_open_cause",
            sqlite_where=sa.text("ended IS NULL"),
            postgresql_where=sa.text("ended IS NULL"),
        )

    op.drop_table("alert")
    op.drop_table("node")
    op.drop_table("finding")
    op.drop_table("door")
    op.drop_table("condition")
    op.drop_table("site")
    op.drop_table("rollup_hour")
    op.drop_table("rollup_day")
    op.drop_table("ref_window")
    op.drop_table("reading")
    op.drop_table("journal_span")
    op.drop_table("instant")
    op.drop_table("inspection")
    op.drop_table("downlink")
    op.drop_table("dirty_day")
    op.drop_table("day_shut")

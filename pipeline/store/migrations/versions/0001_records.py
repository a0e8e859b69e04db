"""The first records: sessions, recordings, players, strokes, measures and runs."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables, parents before children."""
    _create_runs()
    _create_sessions()
    _create_players()
    _create_memberships()
    _create_recordings()
    _create_strokes()
    _create_measures()


def downgrade() -> None:
    """Drop the tables, children before parents."""
    for table in (
        "measures",
        "strokes",
        "recordings",
        "memberships",
        "players",
        "sessions",
        "runs",
    ):
        op.drop_table(table)


def _create_runs() -> None:
    op.create_table(
        "runs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("recording_path", sa.Text(), nullable=False),
        sa.Column("recording_hash", sa.String(64), nullable=True),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("code_version", sa.Text(), nullable=False),
        sa.Column("settings_digest", sa.Text(), nullable=False),
        sa.Column("status", sa.String(32), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_runs"),
    )
    op.create_index("ix_runs_recording_path", "runs", ["recording_path"])


def _create_sessions() -> None:
    op.create_table(
        "sessions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("held_on", sa.Date(), nullable=True),
        sa.Column("venue", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_sessions"),
    )
    op.create_index("uq_sessions_origin_held_on", "sessions", ["origin", "held_on"], unique=True)


def _create_players() -> None:
    op.create_table(
        "players",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_players"),
        sa.ForeignKeyConstraint(
            ["session_id"], ["sessions.id"], name="fk_players_session_id", ondelete="CASCADE"
        ),
    )
    op.create_index(
        "uq_players_club_name",
        "players",
        ["name"],
        unique=True,
        sqlite_where=sa.text("session_id IS NULL"),
        postgresql_where=sa.text("session_id IS NULL"),
    )
    op.create_index("uq_players_session_name", "players", ["session_id", "name"], unique=True)


def _create_memberships() -> None:
    op.create_table(
        "memberships",
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("player_id", sa.Integer(), nullable=False),
        sa.Column("cohort", sa.Text(), nullable=True),
        sa.Column("hand", sa.String(16), nullable=False),
        sa.PrimaryKeyConstraint("session_id", "player_id", name="pk_memberships"),
        sa.ForeignKeyConstraint(
            ["session_id"], ["sessions.id"], name="fk_memberships_session_id", ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["player_id"], ["players.id"], name="fk_memberships_player_id", ondelete="CASCADE"
        ),
    )
    op.create_index("ix_memberships_cohort", "memberships", ["cohort"])


def _create_recordings() -> None:
    op.create_table(
        "recordings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("content_hash", sa.String(64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("width_px", sa.Integer(), nullable=False),
        sa.Column("height_px", sa.Integer(), nullable=False),
        sa.Column("rotation_deg", sa.Integer(), nullable=False),
        sa.Column("frame_rate", sa.Text(), nullable=False),
        sa.Column("capture_rate", sa.Text(), nullable=False),
        sa.Column("capture_rate_source", sa.Text(), nullable=False),
        sa.Column("start_s", sa.Double(), nullable=False),
        sa.Column("end_s", sa.Double(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("variable_rate", sa.Boolean(), nullable=False),
        sa.Column("sound_rate_hz", sa.Integer(), nullable=True),
        sa.Column("faults", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_recordings"),
        sa.ForeignKeyConstraint(
            ["session_id"], ["sessions.id"], name="fk_recordings_session_id", ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name="fk_recordings_run_id"),
        sa.UniqueConstraint("content_hash", name="uq_recordings_content_hash"),
    )
    op.create_index("ix_recordings_session_id", "recordings", ["session_id"])


def _create_strokes() -> None:
    op.create_table(
        "strokes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("recording_id", sa.Integer(), nullable=False),
        sa.Column("player_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("person", sa.Integer(), nullable=False),
        sa.Column("hand", sa.String(16), nullable=False),
        sa.Column("side", sa.String(16), nullable=False),
        sa.Column("side_probability", sa.Double(), nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("p_drive", sa.Double(), nullable=False),
        sa.Column("p_slice", sa.Double(), nullable=False),
        sa.Column("p_other", sa.Double(), nullable=False),
        sa.Column("load_s", sa.Double(), nullable=False),
        sa.Column("forward_s", sa.Double(), nullable=False),
        sa.Column("contact_s", sa.Double(), nullable=False),
        sa.Column("contact_s_sd", sa.Double(), nullable=False),
        sa.Column("finish_s", sa.Double(), nullable=False),
        sa.Column("heard", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_strokes"),
        sa.UniqueConstraint("recording_id", "number", name="uq_strokes_recording_id_number"),
        sa.ForeignKeyConstraint(
            ["recording_id"],
            ["recordings.id"],
            name="fk_strokes_recording_id",
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(["player_id"], ["players.id"], name="fk_strokes_player_id"),
    )
    op.create_index("ix_strokes_player_id", "strokes", ["player_id"])


def _create_measures() -> None:
    op.create_table(
        "measures",
        sa.Column("stroke_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("sd", sa.Double(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("frame", sa.String(64), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("stroke_id", "name", name="pk_measures"),
        sa.CheckConstraint(
            "(value IS NOT NULL AND sd IS NOT NULL AND reason IS NULL)"
            " OR (value IS NULL AND sd IS NULL AND reason IS NOT NULL)",
            name="ck_measures_value_or_reason",
        ),
        sa.ForeignKeyConstraint(
            ["stroke_id"], ["strokes.id"], name="fk_measures_stroke_id", ondelete="CASCADE"
        ),
    )
    op.create_index("ix_measures_name", "measures", ["name"])

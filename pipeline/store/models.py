"""The tables of the records: sessions, recordings, players, strokes, measures and runs.

Written with types that SQLite and PostgreSQL share. Every change here needs a migration in
``migrations/versions``; a test compares the two.
"""

from datetime import UTC, date, datetime
from enum import StrEnum

from sqlalchemy import (
    JSON,
    CheckConstraint,
    DateTime,
    Dialect,
    Double,
    Enum,
    ForeignKey,
    Index,
    MetaData,
    String,
    Text,
    TypeDecorator,
    UniqueConstraint,
    text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

from paddlebrief.records import FrameOfReference, Handedness, Kind, Side

__all__ = [
    "Base",
    "MeasureRow",
    "MembershipRow",
    "PlayerRow",
    "RecordingRow",
    "RunRow",
    "RunStatus",
    "SessionRow",
    "StrokeRow",
]


class RunStatus(StrEnum):
    """How the work on one recording ended."""

    DONE = "done"
    NOTHING = "nothing to brief"
    PARTIAL = "partial"
    FAILED = "failed"


class UtcDateTime(TypeDecorator):
    """A moment that has a time zone going in and comes out in UTC, although SQLite forgets it."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def _words(kind: type[StrEnum], length: int) -> Enum:
    """A column of an enumeration's words, kept as text so that new words need no new type."""
    return Enum(
        kind,
        native_enum=False,
        create_constraint=False,
        length=length,
        values_callable=lambda members: [m.value for m in members],
    )


class Base(DeclarativeBase):
    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012 - SQLAlchemy reads it from the class
        str: Text,
        float: Double,
        datetime: UtcDateTime,
        Side: _words(Side, 16),
        Kind: _words(Kind, 16),
        Handedness: _words(Handedness, 16),
        RunStatus: _words(RunStatus, 32),
        FrameOfReference: _words(FrameOfReference, 64),
    }


class RunRow(Base):
    """One attempt at one recording; attempts are kept, also those that failed."""

    __tablename__ = "runs"

    id: Mapped[int] = mapped_column(primary_key=True)
    recording_path: Mapped[str] = mapped_column(index=True)
    recording_hash: Mapped[str | None] = mapped_column(String(64))
    started_at: Mapped[datetime]
    finished_at: Mapped[datetime]
    code_version: Mapped[str]
    settings_digest: Mapped[str]
    status: Mapped[RunStatus]
    message: Mapped[str]


class SessionRow(Base):
    """One practice: where its footage came from, and the day."""

    __tablename__ = "sessions"

    id: Mapped[int] = mapped_column(primary_key=True)
    origin: Mapped[str]
    held_on: Mapped[date | None]
    venue: Mapped[str | None]

    __table_args__ = (Index("uq_sessions_origin_held_on", "origin", "held_on", unique=True),)


class PlayerRow(Base):
    """A person: known to the club by name, or one session's unnamed A, B, …"""

    __tablename__ = "players"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    session_id: Mapped[int | None] = mapped_column(ForeignKey("sessions.id", ondelete="CASCADE"))
    """The only session an unnamed player belongs to; NULL for a player of the club."""

    # Two indexes, since NULLs never collide in a unique index over both columns.
    __table_args__ = (
        Index(
            "uq_players_club_name",
            "name",
            unique=True,
            sqlite_where=text("session_id IS NULL"),
            postgresql_where=text("session_id IS NULL"),
        ),
        Index("uq_players_session_name", "session_id", "name", unique=True),
    )


class MembershipRow(Base):
    """A player in a session, with the cohort and hand stated for that session."""

    __tablename__ = "memberships"

    session_id: Mapped[int] = mapped_column(
        ForeignKey("sessions.id", ondelete="CASCADE"), primary_key=True
    )
    player_id: Mapped[int] = mapped_column(
        ForeignKey("players.id", ondelete="CASCADE"), primary_key=True
    )
    cohort: Mapped[str | None] = mapped_column(index=True)
    hand: Mapped[Handedness]


class RecordingRow(Base):
    """One recording by its content, and the run that its strokes came from."""

    __tablename__ = "recordings"

    id: Mapped[int] = mapped_column(primary_key=True)
    session_id: Mapped[int] = mapped_column(
        ForeignKey("sessions.id", ondelete="CASCADE"), index=True
    )
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"))
    content_hash: Mapped[str] = mapped_column(String(64), unique=True)
    name: Mapped[str]
    path: Mapped[str]
    width_px: Mapped[int]
    height_px: Mapped[int]
    rotation_deg: Mapped[int]
    frame_rate: Mapped[str]
    """A fraction in text (``30000/1001``), as is ``capture_rate``."""
    capture_rate: Mapped[str]
    capture_rate_source: Mapped[str]
    start_s: Mapped[float]
    end_s: Mapped[float]
    frames: Mapped[int]
    variable_rate: Mapped[bool]
    sound_rate_hz: Mapped[int | None]
    faults: Mapped[list] = mapped_column(JSON)


class StrokeRow(Base):
    """One stroke; the columns are those of ``records.Stroke``."""

    __tablename__ = "strokes"

    id: Mapped[int] = mapped_column(primary_key=True)
    recording_id: Mapped[int] = mapped_column(ForeignKey("recordings.id", ondelete="CASCADE"))
    player_id: Mapped[int] = mapped_column(ForeignKey("players.id"), index=True)
    number: Mapped[int]
    person: Mapped[int]
    hand: Mapped[Handedness]
    side: Mapped[Side]
    side_probability: Mapped[float]
    kind: Mapped[Kind]
    p_drive: Mapped[float]
    p_slice: Mapped[float]
    p_other: Mapped[float]
    load_s: Mapped[float]
    forward_s: Mapped[float]
    contact_s: Mapped[float]
    contact_s_sd: Mapped[float]
    finish_s: Mapped[float]
    heard: Mapped[bool]

    recording: Mapped[RecordingRow] = relationship()
    player: Mapped[PlayerRow] = relationship()
    measures: Mapped[list["MeasureRow"]] = relationship(order_by="MeasureRow.place")

    __table_args__ = (UniqueConstraint("recording_id", "number"),)


class MeasureRow(Base):
    """One measure of one stroke: a value with its uncertainty, or the reason for none."""

    __tablename__ = "measures"

    stroke_id: Mapped[int] = mapped_column(
        ForeignKey("strokes.id", ondelete="CASCADE"), primary_key=True
    )
    name: Mapped[str] = mapped_column(primary_key=True, index=True)
    place: Mapped[int]
    """Position among the stroke's measures, from 0."""
    value: Mapped[float | None]
    sd: Mapped[float | None]
    shared_sd: Mapped[float] = mapped_column(server_default=text("0"))
    """The part of ``sd`` that a player's strokes in one recording have in common."""
    unit: Mapped[str]
    frame: Mapped[FrameOfReference]
    reason: Mapped[str | None]

    __table_args__ = (
        CheckConstraint(
            "(value IS NOT NULL AND sd IS NOT NULL AND reason IS NULL)"
            " OR (value IS NULL AND sd IS NULL AND reason IS NOT NULL)",
            name="value_or_reason",
        ),
    )

"""What the records take and give besides the stages' own records, and how rows are made of it."""

from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from paddlebrief.records import FootageInfo, Handedness, Kind, Measure, MeasuredStroke, Stroke
from paddlebrief.store.models import (
    MeasureRow,
    PlayerRow,
    RecordingRow,
    RunRow,
    RunStatus,
    StrokeRow,
)

__all__ = [
    "CohortValue",
    "RosterEntry",
    "RunRecord",
    "SessionRecord",
    "StatusRow",
    "measure_record",
    "measured_stroke",
    "recording_row",
    "run_record",
    "run_row",
    "stroke_row",
]


@dataclass(frozen=True, kw_only=True)
class RosterEntry:
    """A player whom the session file names, with what it says for that day.

    ``name`` is the player's identity across the whole club.
    """

    name: str
    hand: Handedness = Handedness.UNKNOWN
    cohort: str | None = None


@dataclass(frozen=True, kw_only=True)
class SessionRecord:
    """The practice a recording belongs to; ``origin`` and ``held_on`` tell sessions apart.

    Attributes
    ----------
    origin
        The session's folder, or the recording itself when it came without a session file.
    held_on
        Day of the practice, None when nobody stated it.
    venue
        The venue note, if any.
    players
        The roster. Players of strokes who are not in it count as unnamed: theirs alone is
        this session, and an "A" of another session is somebody else.
    """

    origin: str
    held_on: date | None = None
    venue: str | None = None
    players: tuple[RosterEntry, ...] = ()

    def __post_init__(self) -> None:
        names = [p.name for p in self.players]
        if len(set(names)) < len(names):
            raise ValueError(f"players: expected different names, got {names}")


@dataclass(frozen=True, kw_only=True)
class RunRecord:
    """One attempt at one recording.

    Attributes
    ----------
    recording_path, recording_hash
        The file, and its content hash (64 hex digits), None when it could not be read at all.
    started_at, finished_at
        Moments with a time zone.
    code_version, settings_digest
        What the result depends on besides the recording.
    status, message
        How it ended, and one line for the reader.
    """

    recording_path: Path
    recording_hash: str | None
    started_at: datetime
    finished_at: datetime
    code_version: str
    settings_digest: str
    status: RunStatus
    message: str

    def __post_init__(self) -> None:
        if None in {self.started_at.tzinfo, self.finished_at.tzinfo}:
            raise ValueError("started_at, finished_at: expected moments with a time zone")


@dataclass(frozen=True, kw_only=True)
class StatusRow:
    """The latest attempt at one recording, and how many strokes the records hold of it."""

    run: RunRecord
    strokes: int


@dataclass(frozen=True, kw_only=True)
class CohortValue:
    """One stroke of a cohort's player seen through one measure.

    ``measure`` is None when the stroke was saved without a measure of that name.
    """

    cohort: str
    held_on: date | None
    player: str
    measure: Measure | None


def run_row(run: RunRecord) -> RunRow:
    return RunRow(
        recording_path=str(run.recording_path),
        recording_hash=run.recording_hash,
        started_at=run.started_at,
        finished_at=run.finished_at,
        code_version=run.code_version,
        settings_digest=run.settings_digest,
        status=run.status,
        message=run.message,
    )


def run_record(row: RunRow) -> RunRecord:
    return RunRecord(
        recording_path=Path(row.recording_path),
        recording_hash=row.recording_hash,
        started_at=row.started_at,
        finished_at=row.finished_at,
        code_version=row.code_version,
        settings_digest=row.settings_digest,
        status=row.status,
        message=row.message,
    )


def recording_row(info: FootageInfo, name: str) -> RecordingRow:
    return RecordingRow(
        content_hash=info.content_hash,
        name=name,
        path=str(info.path),
        width_px=info.width_px,
        height_px=info.height_px,
        rotation_deg=info.rotation_deg,
        frame_rate=str(info.frame_rate),
        capture_rate=str(info.capture_rate),
        capture_rate_source=info.capture_rate_source,
        start_s=float(info.start_s),
        end_s=float(info.end_s),
        frames=int(info.frames),
        variable_rate=bool(info.variable_rate),
        sound_rate_hz=info.sound_rate_hz,
        faults=list(info.faults),
    )


def stroke_row(measured: MeasuredStroke, recording: RecordingRow, player: PlayerRow) -> StrokeRow:
    # Numbers may come as numpy scalars, which database drivers do not all take.
    s = measured.stroke
    return StrokeRow(
        recording_id=recording.id,
        player_id=player.id,
        number=int(s.number),
        person=int(s.person),
        hand=s.hand,
        side=s.side,
        side_probability=float(s.side_probability),
        kind=s.kind,
        p_drive=float(s.kind_probabilities[Kind.DRIVE]),
        p_slice=float(s.kind_probabilities[Kind.SLICE]),
        p_other=float(s.kind_probabilities[Kind.OTHER]),
        load_s=float(s.load_s),
        forward_s=float(s.forward_s),
        contact_s=float(s.contact_s),
        contact_s_sd=float(s.contact_s_sd),
        finish_s=float(s.finish_s),
        heard=bool(s.heard),
        measures=[_measure_row(m, place) for place, m in enumerate(measured.measures)],
    )


def _measure_row(measure: Measure, place: int) -> MeasureRow:
    return MeasureRow(
        name=measure.name,
        place=place,
        value=float(measure.value) if measure.measured else None,
        sd=float(measure.sd) if measure.measured else None,
        shared_sd=float(measure.shared_sd),
        unit=measure.unit,
        frame=measure.frame,
        reason=measure.reason,
    )


def measured_stroke(row: StrokeRow) -> MeasuredStroke:
    return MeasuredStroke(
        recording=row.recording.name,
        stroke=Stroke(
            number=row.number,
            person=row.person,
            player=row.player.name,
            hand=row.hand,
            side=row.side,
            side_probability=row.side_probability,
            kind=row.kind,
            kind_probabilities={
                Kind.DRIVE: row.p_drive,
                Kind.SLICE: row.p_slice,
                Kind.OTHER: row.p_other,
            },
            load_s=row.load_s,
            forward_s=row.forward_s,
            contact_s=row.contact_s,
            contact_s_sd=row.contact_s_sd,
            finish_s=row.finish_s,
            heard=row.heard,
        ),
        measures=tuple(measure_record(m) for m in row.measures),
    )


def measure_record(row: MeasureRow) -> Measure:
    if row.reason is not None:
        return Measure.missing(row.name, row.unit, row.frame, row.reason)
    return Measure(
        name=row.name,
        value=row.value,
        sd=row.sd,
        shared_sd=row.shared_sd,
        unit=row.unit,
        frame=row.frame,
    )

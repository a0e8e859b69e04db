"""Keeps what was found in each recording, and gives it back unchanged."""

import logging
from collections.abc import Sequence

from sqlalchemy import Engine, and_, delete, exists, func, or_, select
from sqlalchemy.orm import Session, joinedload, selectinload

from paddlebrief.records import FootageInfo, Handedness, Kind, MeasuredStroke, Side
from paddlebrief.store.database import reading, writing
from paddlebrief.store.models import (
    MeasureRow,
    MembershipRow,
    PlayerRow,
    RecordingRow,
    RunRow,
    RunStatus,
    SessionRow,
    StrokeRow,
)
from paddlebrief.store.rows import (
    CohortValue,
    RosterEntry,
    RunRecord,
    SessionRecord,
    StatusRow,
    measure_record,
    measured_stroke,
    recording_row,
    run_record,
    run_row,
    stroke_row,
)

__all__ = [
    "cohort_values",
    "load_strokes",
    "measure_names",
    "save_recording",
    "save_run",
    "status_rows",
]

logger = logging.getLogger(__name__)


def save_run(engine: Engine, run: RunRecord) -> None:
    """Keep an attempt that yielded nothing new, such as a failed one.

    Strokes that an earlier attempt left for the same recording stay as they are.

    Raises
    ------
    StoreError
        The records cannot be written.
    """
    with writing(engine) as db:
        db.add(run_row(run))


def save_recording(
    engine: Engine,
    *,
    info: FootageInfo,
    session: SessionRecord,
    strokes: Sequence[MeasuredStroke],
    run: RunRecord,
) -> None:
    """Keep a recording's strokes and measures, replacing those of an earlier run, or nothing.

    A recording is known by its content hash. Another one saved before under the same path and
    session is an earlier state of that file (a copy still under way, say) and is dropped too.

    Parameters
    ----------
    info
        The recording.
    session
        Its practice; its roster, cohorts and hands replace what was kept for that practice.
    strokes
        All strokes found in this recording, possibly none; times and measures as they are.
    run
        The attempt that found them; not a failed one, see `save_run`.

    Raises
    ------
    ValueError
        The strokes name several recordings or share a number, or the run is of another
        recording or has failed.
    StoreError
        The records cannot be written; they are then as before.
    """
    name = _check(info, strokes, run)
    with writing(engine) as db:
        attempt = run_row(run)
        practice = _session_row(db, session)
        db.add(attempt)
        db.flush()
        players = _players(db, practice, session.players, strokes)
        db.execute(
            delete(RecordingRow).where(
                or_(
                    RecordingRow.content_hash == info.content_hash,
                    and_(
                        RecordingRow.session_id == practice.id,
                        RecordingRow.path == str(info.path),
                    ),
                )
            )
        )
        recording = recording_row(info, name)
        recording.session_id, recording.run_id = practice.id, attempt.id
        db.add(recording)
        db.flush()
        db.add_all(stroke_row(s, recording, players[s.stroke.player]) for s in strokes)
        db.flush()
        _prune(db, practice.id, [players[p.name].id for p in session.players])
    logger.debug("kept %d strokes of %s", len(strokes), info.path)


def load_strokes(
    engine: Engine, *, content_hash: str | None = None, player: str | None = None
) -> list[MeasuredStroke]:
    """Strokes as they were saved, by day, recording and number.

    Parameters
    ----------
    content_hash
        Only those of the recording with this content.
    player
        Only those of the club's player of this name; unnamed players are never meant, since
        the same letter is somebody else in each session.

    Returns
    -------
    list of MeasuredStroke
        Empty when there are none.

    Raises
    ------
    StoreError
        The records cannot be read.
    """
    query = (
        select(StrokeRow)
        .join(StrokeRow.recording)
        .join(SessionRow, SessionRow.id == RecordingRow.session_id)
        .join(StrokeRow.player)
        .options(
            joinedload(StrokeRow.recording),
            joinedload(StrokeRow.player),
            selectinload(StrokeRow.measures),
        )
        .order_by(SessionRow.held_on.nulls_last(), RecordingRow.path, StrokeRow.number)
    )
    if content_hash is not None:
        query = query.where(RecordingRow.content_hash == content_hash)
    if player is not None:
        query = query.where(PlayerRow.name == player, PlayerRow.session_id.is_(None))
    with reading(engine) as db:
        return [measured_stroke(row) for row in db.scalars(query)]


def status_rows(engine: Engine) -> list[StatusRow]:
    """The latest attempt at every recording, by path; empty when nothing was tried yet.

    Raises
    ------
    StoreError
        The records cannot be read.
    """
    latest = select(func.max(RunRow.id)).group_by(RunRow.recording_path)
    strokes = (
        select(func.count(StrokeRow.id))
        .join(RecordingRow, RecordingRow.id == StrokeRow.recording_id)
        .where(RecordingRow.content_hash == RunRow.recording_hash)
        .scalar_subquery()
    )
    query = select(RunRow, strokes).where(RunRow.id.in_(latest)).order_by(RunRow.recording_path)
    with reading(engine) as db:
        return [StatusRow(run=run_record(row), strokes=n) for row, n in db.execute(query)]


def measure_names(engine: Engine) -> list[str]:
    """Names of all measures in the records, sorted."""
    with reading(engine) as db:
        return list(db.scalars(select(MeasureRow.name).distinct().order_by(MeasureRow.name)))


def cohort_values(
    engine: Engine, *, measure: str, kind: Kind | None = None, side: Side | None = None
) -> list[CohortValue]:
    """Every stroke by a player with a cohort, seen through one measure.

    Parameters
    ----------
    measure
        Name of the measure.
    kind, side
        Only strokes decided so; None takes all.

    Returns
    -------
    list of CohortValue
        By cohort, day, player and stroke; empty when there are none.

    Raises
    ------
    StoreError
        The records cannot be read.
    """
    query = (
        select(MembershipRow.cohort, SessionRow.held_on, PlayerRow.name, MeasureRow)
        .select_from(StrokeRow)
        .join(RecordingRow, RecordingRow.id == StrokeRow.recording_id)
        .join(SessionRow, SessionRow.id == RecordingRow.session_id)
        .join(PlayerRow, PlayerRow.id == StrokeRow.player_id)
        .join(
            MembershipRow,
            and_(
                MembershipRow.session_id == SessionRow.id,
                MembershipRow.player_id == PlayerRow.id,
            ),
        )
        .outerjoin(
            MeasureRow,
            and_(MeasureRow.stroke_id == StrokeRow.id, MeasureRow.name == measure),
        )
        .where(MembershipRow.cohort.is_not(None))
        .order_by(
            MembershipRow.cohort,
            SessionRow.held_on.nulls_last(),
            PlayerRow.name,
            RecordingRow.path,
            StrokeRow.number,
        )
    )
    if kind is not None:
        query = query.where(StrokeRow.kind == kind)
    if side is not None:
        query = query.where(StrokeRow.side == side)
    with reading(engine) as db:
        return [
            CohortValue(
                cohort=cohort,
                held_on=held_on,
                player=player,
                measure=None if row is None else measure_record(row),
            )
            for cohort, held_on, player, row in db.execute(query)
        ]


def _check(info: FootageInfo, strokes: Sequence[MeasuredStroke], run: RunRecord) -> str:
    names = {s.recording for s in strokes} or {info.path.name}
    if len(names) > 1:
        raise ValueError(f"strokes: expected one recording, got {sorted(names)}")
    numbers = [s.stroke.number for s in strokes]
    if len(set(numbers)) < len(numbers):
        raise ValueError(f"strokes: expected different numbers, got {numbers}")
    if run.recording_hash != info.content_hash:
        raise ValueError("run: expected the recording's content hash, got another")
    if run.status is RunStatus.FAILED:
        raise ValueError("run: a failed run has no strokes to keep; use save_run")
    return names.pop()


def _session_row(db: Session, session: SessionRecord) -> SessionRow:
    row = db.scalar(
        select(SessionRow).where(
            SessionRow.origin == session.origin, SessionRow.held_on == session.held_on
        )
    )
    if row is None:
        row = SessionRow(origin=session.origin, held_on=session.held_on)
        db.add(row)
    row.venue = session.venue
    return row


def _players(
    db: Session,
    session: SessionRow,
    roster: Sequence[RosterEntry],
    strokes: Sequence[MeasuredStroke],
) -> dict[str, PlayerRow]:
    """Rows of the roster's players and of the strokes' unnamed ones, with their membership."""
    players = {}
    for entry in roster:
        players[entry.name] = _player_row(db, entry.name, None)
        _join(db, session, players[entry.name], entry.hand, entry.cohort)
    for measured in strokes:
        name = measured.stroke.player
        if name not in players:
            players[name] = _player_row(db, name, session.id)
            _join(db, session, players[name], measured.stroke.hand, None)
    return players


def _player_row(db: Session, name: str, session_id: int | None) -> PlayerRow:
    row = db.scalar(
        select(PlayerRow).where(PlayerRow.name == name, PlayerRow.session_id == session_id)
    )
    if row is None:
        row = PlayerRow(name=name, session_id=session_id)
        db.add(row)
        db.flush()
    return row


def _join(
    db: Session, session: SessionRow, player: PlayerRow, hand: Handedness, cohort: str | None
) -> None:
    db.merge(MembershipRow(session_id=session.id, player_id=player.id, hand=hand, cohort=cohort))


def _prune(db: Session, session_id: int, roster: Sequence[int]) -> None:
    """Drop sessions without recordings, and players who neither play nor stand in a roster."""
    recorded = exists().where(RecordingRow.session_id == SessionRow.id)
    db.execute(delete(SessionRow).where(~recorded))
    plays_here = exists().where(
        StrokeRow.player_id == MembershipRow.player_id,
        StrokeRow.recording_id == RecordingRow.id,
        RecordingRow.session_id == MembershipRow.session_id,
    )
    db.execute(
        delete(MembershipRow)
        .where(MembershipRow.session_id == session_id)
        .where(MembershipRow.player_id.not_in(roster))
        .where(~plays_here)
    )
    belongs = exists().where(MembershipRow.player_id == PlayerRow.id)
    plays = exists().where(StrokeRow.player_id == PlayerRow.id)
    unnamed = PlayerRow.session_id.is_not(None)
    db.execute(delete(PlayerRow).where(~plays, or_(unnamed, ~belongs)))

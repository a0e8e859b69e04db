"""The end of a run: hand over briefs, write status pages, tables, records and the run's facts."""

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from paddlebrief import store
from paddlebrief.outcome import Outcome, RunResult
from paddlebrief.publish import SessionJob, hand_over
from paddlebrief.settings import Settings, digest
from paddlebrief.store.files import written_whole
from paddlebrief.store.tables import write_tables
from paddlebrief.version import __version__

__all__ = ["finish_run"]

MADE = "made.json"


def finish_run(
    *,
    out: Path,
    database: str | Path,
    settings: Settings,
    sessions: Sequence[SessionJob],
    outcomes: Sequence[Outcome],
    brief_files: Mapping[str, Sequence[Path]],
    pages: Callable[[Outcome, Path], Path],
    wall_s: float,
    peak_rss_mb: float,
) -> RunResult:
    """Leave everything a club reads in ``out`` and in the records; returns what was left.

    Files that an earlier run left for the same recordings and that this one does not make again
    are removed; files of other recordings stay.
    """
    made: dict[str, list[Path]] = {_place(o): [] for o in outcomes}
    briefs = []
    for job in sessions:
        placed = hand_over(brief_files.get(job.label, ()), out)
        briefs += placed
        made[_place(job.outcomes[0])] += placed
    status_pages = []
    for outcome in outcomes:
        if outcome.failed or not outcome.strokes:
            status_pages.append(pages(outcome, out))
            made[_place(outcome)].append(status_pages[-1])
    _forget_stale(out, {place: [p.name for p in paths] for place, paths in made.items()})
    strokes = [s for job in sessions for s in job.strokes]
    write_tables(out, strokes, [r for job in sessions for r in job.rankings()])
    _keep_records(database, settings, sessions, outcomes)
    recording_s = sum(o.info.end_s - o.info.start_s for o in outcomes if o.info)
    facts = {"wall_s": wall_s, "recording_s": recording_s, "peak_rss_mb": peak_rss_mb}
    with written_whole(out / "run.json") as beside:
        Path(beside).write_text(json.dumps(facts, indent=1), encoding="utf-8")
    return RunResult(
        out=out, outcomes=tuple(outcomes), briefs=tuple(briefs), pages=tuple(status_pages)
    )


def _place(outcome: Outcome) -> str:
    """The session's folder, or the recording itself when it came alone."""
    return str((outcome.source.session_folder or outcome.source.path).resolve())


def _forget_stale(out: Path, made: Mapping[str, Sequence[str]]) -> None:
    book = out / "work" / MADE
    known: dict[str, list[str]] = {}
    if book.is_file():
        known = json.loads(book.read_text(encoding="utf-8"))
    before = {name for place in made for name in known.get(place, [])}
    known.update({place: sorted(names) for place, names in made.items()})
    for name in before - {name for names in known.values() for name in names}:
        (out / name).unlink(missing_ok=True)
    with written_whole(book) as beside:
        Path(beside).write_text(json.dumps(known, indent=1), encoding="utf-8")


def _keep_records(
    database: str | Path,
    settings: Settings,
    sessions: Sequence[SessionJob],
    outcomes: Sequence[Outcome],
) -> None:
    relabelled = {o.source.path: o for job in sessions for o in job.outcomes}
    engine = store.open_database(database)
    try:
        for outcome in outcomes:
            run = store.RunRecord(
                recording_path=outcome.source.path,
                recording_hash=outcome.info.content_hash if outcome.info else None,
                started_at=outcome.started_at,
                finished_at=outcome.finished_at,
                code_version=__version__,
                settings_digest=digest(settings),
                status=outcome.status,
                message=outcome.message,
            )
            if outcome.failed or outcome.info is None:
                store.save_run(engine, run)
                continue
            store.save_recording(
                engine,
                info=outcome.info,
                session=_session_record(outcome),
                strokes=relabelled.get(outcome.source.path, outcome).strokes,
                run=run,
            )
    finally:
        engine.dispose()


def _session_record(outcome: Outcome) -> store.SessionRecord:
    session = outcome.source.session
    return store.SessionRecord(
        origin=_place(outcome),
        held_on=session.date,
        venue=session.venue,
        players=tuple(
            store.RosterEntry(name=p.name, hand=p.handedness, cohort=p.cohort)
            for p in session.players
        ),
    )

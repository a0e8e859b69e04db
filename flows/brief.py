"""The flow behind ``paddlebrief run`` and the nightly schedule: stages as cached tasks."""

import logging
import resource
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from prefect import flow, task

from paddlebrief.errors import PaddlebriefError
from paddlebrief.footage import inspect
from paddlebrief.outcome import Outcome, RunResult, describe
from paddlebrief.products import Product, WorkFolder, locked
from paddlebrief.progress import reporter
from paddlebrief.publish import SessionJob, session_jobs, status_page
from paddlebrief.ranking import TargetBook
from paddlebrief.records import FootageInfo
from paddlebrief.report import finish_run
from paddlebrief.session import RecordingSource
from paddlebrief.settings import Settings
from paddlebrief.stages import STAGES, Finding, RecordingJob
from paddlebrief.store import RunStatus

__all__ = ["RunRequest", "brief_recordings"]

log = logging.getLogger(__name__)

RETRIES = 1
RETRY_DELAY_S = 2


@dataclass(frozen=True, kw_only=True)
class RunRequest:
    """What a run is asked for.

    Attributes
    ----------
    sources
        Recordings, from ``session.find_recordings``.
    out
        Folder for results.
    database
        File or URL of the records.
    settings, targets
        Settings of all stages, and the targets of the ranking.
    """

    sources: tuple[RecordingSource, ...]
    out: Path
    database: str | Path
    settings: Settings
    targets: TargetBook


def _worth_retrying(_task, _run, state) -> bool:
    """Retry what may pass, such as a full disk or a lost share; our own errors stay errors."""
    try:
        state.result()
    except PaddlebriefError:
        return False
    except Exception:
        return True
    return False


def _key(product: Product, stage: str) -> str | None:
    """Cache key of a finished product; None, which never hits, while the product is not there."""
    return f"{stage}:{product.key}" if product.finished else None


def _recording_key(_context, given: dict) -> str | None:
    return _key(given["job"].product(given["stage"]), given["stage"])


def _session_key(_context, given: dict) -> str | None:
    return _key(given["job"].product(), "brief")


_OPTIONS = {
    "retries": RETRIES,
    "retry_delay_seconds": RETRY_DELAY_S,
    "retry_condition_fn": _worth_retrying,
    "persist_result": True,
}


@task(task_run_name="{stage}", cache_key_fn=_recording_key, **_OPTIONS)
def recording_stage(job: RecordingJob, stage: str) -> str:
    """One stage of one recording; returns the product's folder as text."""
    return str(getattr(job, stage)())


@task(task_run_name="briefs of {job.label}", cache_key_fn=_session_key, **_OPTIONS)
def session_briefs(job: SessionJob) -> list[str]:
    """Stills and briefs of one session; returns the PDF files as text."""
    return [str(path) for path in job.make()]


@flow(name="paddlebrief", validate_parameters=False, persist_result=False)
def brief_recordings(request: RunRequest) -> RunResult:
    """Work every recording, then every session; one that fails never stops the others."""
    started = time.monotonic()
    with locked(request.out / "work"):
        work = WorkFolder(request.out / "work")
        jobs: dict[Path, RecordingJob] = {}
        outcomes = [_work(source, request, work, jobs) for source in request.sources]
        sessions = session_jobs(
            outcomes, jobs, settings=request.settings, targets=request.targets, work=work
        )
        files, outcomes = _briefs(sessions, outcomes)
        return finish_run(
            out=request.out,
            database=request.database,
            settings=request.settings,
            sessions=sessions,
            outcomes=outcomes,
            brief_files=files,
            pages=lambda o, folder: status_page(o, folder, request.settings),
            wall_s=time.monotonic() - started,
            peak_rss_mb=resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        )


def _work(
    source: RecordingSource, request: RunRequest, work: WorkFolder, jobs: dict[Path, RecordingJob]
) -> Outcome:
    started = datetime.now(UTC)
    info: FootageInfo | None = None

    def ended(status: RunStatus, message: str, **more: object) -> Outcome:
        return Outcome(
            source=source,
            status=status,
            message=message,
            info=info,
            started_at=started,
            finished_at=datetime.now(UTC),
            **more,
        )

    try:
        if source.error is not None:
            raise source.error
        reporter().begin(f"{source.path.name}: reading")
        info = inspect(source.path, session=source.session)
        job = RecordingJob(info=info, session=source.session, settings=request.settings, work=work)
        for stage in STAGES:
            recording_stage(job, stage)
        jobs[source.path] = job
        return _judge(job, ended)
    except Exception as error:
        if not isinstance(error, PaddlebriefError):
            log.info("%s: unexpected failure", source.path, exc_info=error)
        return ended(RunStatus.FAILED, describe(error), error=error)


def _judge(job: RecordingJob, ended: Callable[..., Outcome]) -> Outcome:
    found = _with_consent(job.finding(), job)
    parts = {"strokes": found.strokes, "people": found.people, "notes": found.notes}
    if not found.strokes:
        people = "one person" if found.people == 1 else f"{found.people} people"
        seen = f"{people} followed" if found.people else "nobody was seen"
        message = "; ".join(["no stroke found", seen, *job.info.faults])
        return ended(RunStatus.NOTHING, message, **parts)
    players = len({s.stroke.player for s in found.strokes})
    count = len(found.strokes)
    message = f"{count} stroke{'s' * (count > 1)} by {players} player{'s' * (players > 1)}"
    if job.info.faults:
        return ended(RunStatus.PARTIAL, "; ".join([message, *job.info.faults]), **parts)
    return ended(RunStatus.DONE, message, **parts)


def _with_consent(found: Finding, job: RecordingJob) -> Finding:
    """The finding without strokes of players who refused to be measured."""
    refused = {p.name for p in job.session.players if p.consent is False}
    kept = tuple(s for s in found.strokes if s.stroke.player not in refused)
    return replace(found, strokes=kept)


def _briefs(
    sessions: list[SessionJob], outcomes: list[Outcome]
) -> tuple[dict[str, list[Path]], list[Outcome]]:
    """Brief files by session; the recordings of one whose briefs fail are marked failed."""
    files: dict[str, list[Path]] = {}
    for job in sessions:
        try:
            files[job.label] = [Path(f) for f in session_briefs(job)]
        except Exception as error:
            if not isinstance(error, PaddlebriefError):
                log.info("%s: unexpected failure", job.label, exc_info=error)
            paths = {o.source.path for o in job.outcomes}
            outcomes = [
                replace(o, status=RunStatus.FAILED, message=describe(error), error=error)
                if o.source.path in paths
                else o
                for o in outcomes
            ]
    return files, outcomes

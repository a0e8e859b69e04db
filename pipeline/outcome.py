"""How the work on each recording ended, as told on the terminal, in JSON and in the records."""

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from paddlebrief.errors import PaddlebriefError
from paddlebrief.records import FootageInfo, MeasuredStroke
from paddlebrief.session import RecordingSource
from paddlebrief.store import RunStatus

__all__ = ["Outcome", "RunResult", "as_json"]


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """One recording's end.

    Attributes
    ----------
    source, info
        What was asked for, and what footage said of it (None when it could not be read).
    status, message
        How it ended, and one line on it.
    error
        What stopped it, when it failed.
    strokes, people, notes
        What was found, how many people were followed, and what stayed open.
    started_at, finished_at
        Moments with a time zone.
    """

    source: RecordingSource
    status: RunStatus
    message: str
    started_at: datetime
    finished_at: datetime
    info: FootageInfo | None = None
    error: Exception | None = None
    strokes: tuple[MeasuredStroke, ...] = ()
    people: int = 0
    notes: tuple[str, ...] = ()

    @property
    def failed(self) -> bool:
        return self.status is RunStatus.FAILED


@dataclass(frozen=True, kw_only=True)
class RunResult:
    """Everything a run leaves: outcomes in order, briefs and status pages, and the folder."""

    out: Path
    outcomes: tuple[Outcome, ...]
    briefs: tuple[Path, ...]
    pages: tuple[Path, ...] = field(default=())


def describe(error: Exception) -> str:
    """One line on what stopped a recording."""
    if isinstance(error, PaddlebriefError):
        return str(error)
    return f"unexpected failure: {type(error).__name__}: {error}".splitlines()[0]


def as_json(result: RunResult) -> dict:
    """The object that ``--json`` prints: recordings with their strokes, and the briefs."""
    return {
        "recordings": [
            {
                "path": str(o.source.path),
                "status": o.status.value,
                "message": o.message,
                "strokes": [
                    {
                        "player": s.stroke.player,
                        "contact_s": s.stroke.contact_s,
                        "contact_s_sd": s.stroke.contact_s_sd,
                        "side": s.stroke.side.value,
                        "kind": s.stroke.kind.value,
                        "kind_probability": s.stroke.kind_probability,
                    }
                    for s in o.strokes
                ],
            }
            for o in result.outcomes
        ],
        "briefs": [str(path) for path in result.briefs],
        "status_pages": [str(path) for path in result.pages],
    }

"""The records: an SQL database of what was measured, Parquet for tracks and result tables."""

from paddlebrief.store.database import open_database
from paddlebrief.store.models import RunStatus
from paddlebrief.store.recordings import (
    cohort_values,
    load_strokes,
    measure_names,
    save_recording,
    save_run,
    status_rows,
)
from paddlebrief.store.rows import CohortValue, RosterEntry, RunRecord, SessionRecord, StatusRow

__all__ = [
    "CohortValue",
    "RosterEntry",
    "RunRecord",
    "RunStatus",
    "SessionRecord",
    "StatusRow",
    "cohort_values",
    "load_strokes",
    "measure_names",
    "open_database",
    "save_recording",
    "save_run",
    "status_rows",
]

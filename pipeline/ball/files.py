"""Candidates and tracks in compressed NumPy archives, so that a stage can keep them.

Lists of different length lie end to end, with their counts beside them.
"""

from collections.abc import Sequence
from pathlib import Path
from zipfile import BadZipFile

import numpy as np

from paddlebrief.ball.records import BallTrack, Break, BreakKind, Candidates, Flight
from paddlebrief.errors import StoreError
from paddlebrief.store.files import written_whole

__all__ = ["read_candidates", "read_tracks", "write_candidates", "write_tracks"]

_BREAK_VALUES = ("time_s", "time_s_sd", "px", "place_m", "covariance_m2")
_FLIGHT_VALUES = (
    "anchor_s", "position_m", "velocity_mps", "rim_mps", "covariance", "curve_px", "rms",
)  # fmt: skip
_SHAPES = {
    "px": (2,), "place_m": (3,), "covariance_m2": (3, 3), "position_m": (3,),
    "velocity_mps": (3,), "rim_mps": (3,), "covariance": (9, 9), "curve_px": (4, 2),
}  # fmt: skip


def write_candidates(path: Path, candidates: Candidates) -> None:
    """Write candidates beside ``path``, then rename.

    Raises
    ------
    StoreError
        When the file cannot be written.
    """
    _write(path, vars(candidates))


def read_candidates(path: Path) -> Candidates:
    """Read what `write_candidates` wrote.

    Raises
    ------
    StoreError
        When the file is missing, breaks off or holds something else.
    """
    return _read(path, _candidates_of)


def _candidates_of(stored: dict[str, np.ndarray]) -> Candidates:
    return Candidates(**{**stored, "steadied": bool(stored["steadied"])})


def write_tracks(path: Path, tracks: Sequence[BallTrack]) -> None:
    """Write tracks, none or many, beside ``path``, then rename.

    Raises
    ------
    StoreError
        When the file cannot be written.
    """
    flights = [f for t in tracks for f in t.flights]
    breaks = [b for t in tracks for b in t.breaks]
    _write(
        path,
        {
            "number": np.array([t.number for t in tracks], int),
            "flights": np.array([len(t.flights) for t in tracks], int),
            "parameters": _joined([t.parameters for t in tracks]),
            "parameter_count": np.array([len(t.parameters) for t in tracks], int),
            "parameter_covariance": _joined([t.covariance.ravel() for t in tracks]),
            "rows": _joined([f.rows for f in flights]).astype(int),
            "row_count": np.array([len(f.rows) for f in flights], int),
            "break_kind": np.array([b.kind.value for b in breaks], dtype="U8"),
            **{f"break_{n}": _table(breaks, n) for n in _BREAK_VALUES},
            **{f"flight_{n}": _table(flights, n) for n in _FLIGHT_VALUES},
        },
    )


def read_tracks(path: Path) -> list[BallTrack]:
    """Read what `write_tracks` wrote; empty when that was.

    Raises
    ------
    StoreError
        When the file is missing, breaks off or holds something else.
    """
    return _read(path, _tracks_of)


def _tracks_of(stored: dict[str, np.ndarray]) -> list[BallTrack]:
    rows = _parts(stored["rows"], stored["row_count"])
    sizes = stored["parameter_count"]
    parameters = _parts(stored["parameters"], sizes)
    covariances = _parts(stored["parameter_covariance"], sizes**2)
    tracks, flight, first = [], 0, 0
    for k, count in enumerate(stored["flights"]):
        breaks = [_break(stored, i) for i in range(first, first + count + 1)]
        flights = tuple(
            Flight(
                start=breaks[i],
                end=breaks[i + 1],
                rows=rows[flight + i],
                **{n: _plain(stored[f"flight_{n}"][flight + i]) for n in _FLIGHT_VALUES},
            )
            for i in range(count)
        )
        tracks.append(
            BallTrack(
                number=int(stored["number"][k]),
                flights=flights,
                parameters=parameters[k],
                covariance=covariances[k].reshape(sizes[k], sizes[k]),
            )
        )
        flight, first = flight + count, first + count + 1
    return tracks


def _break(stored: dict[str, np.ndarray], row: int) -> Break:
    values = {n: _plain(stored[f"break_{n}"][row]) for n in _BREAK_VALUES}
    return Break(kind=BreakKind(str(stored["break_kind"][row])), **values)


def _plain(value: np.ndarray) -> np.ndarray | float:
    return value if np.ndim(value) else float(value)


def _table(records: Sequence[Break] | Sequence[Flight], name: str) -> np.ndarray:
    values = [getattr(r, name) for r in records]
    return np.array(values, float).reshape(len(records), *_SHAPES.get(name, ()))


def _joined(parts: list[np.ndarray]) -> np.ndarray:
    return np.concatenate([np.empty(0), *parts])


def _parts(values: np.ndarray, counts: np.ndarray) -> list[np.ndarray]:
    return np.split(values, np.cumsum(counts)[:-1]) if len(counts) else []


def _write(path: Path, arrays: dict[str, np.ndarray]) -> None:
    with written_whole(path) as beside, beside.open("wb") as file:
        np.savez_compressed(file, **arrays)


def _read(path: Path, make):
    try:
        with np.load(path, allow_pickle=False) as stored:
            return make(dict(stored))
    except (OSError, EOFError, ValueError, KeyError, TypeError, BadZipFile) as error:
        raise StoreError(
            "the ball's candidates or tracks cannot be read",
            file=path,
            expected="an archive that this version wrote",
            found=str(error),
            todo="delete the file; the next run makes it again",
        ) from error

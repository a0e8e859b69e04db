"""Result tables beside the briefs: Parquet for programs, CSV for a spreadsheet."""

import csv
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from paddlebrief.records import Kind, Measure, MeasuredStroke, PlayerRanking, RankedStroke
from paddlebrief.store.files import clear_write_errors, written_whole

__all__ = ["write_tables"]

_STROKES = pa.schema(
    {
        "recording": pa.string(),
        "number": pa.int32(),
        "player": pa.string(),
        "hand": pa.string(),
        "side": pa.string(),
        "side_probability": pa.float64(),
        "kind": pa.string(),
        "p_drive": pa.float64(),
        "p_slice": pa.float64(),
        "p_other": pa.float64(),
        "contact_s": pa.float64(),
        "contact_s_sd": pa.float64(),
        "load_s": pa.float64(),
        "forward_s": pa.float64(),
        "finish_s": pa.float64(),
        "heard": pa.bool_(),
    }
)
_MEASURES = pa.schema(
    {
        "recording": pa.string(),
        "number": pa.int32(),
        "player": pa.string(),
        "name": pa.string(),
        "value": pa.float64(),
        "sd": pa.float64(),
        "shared_sd": pa.float64(),
        "unit": pa.string(),
        "frame": pa.string(),
        "reason": pa.string(),
    }
)
_RANKING = pa.schema(
    {
        "recording": pa.string(),
        "number": pa.int32(),
        "player": pa.string(),
        "kind": pa.string(),
        "side": pa.string(),
        "rank": pa.int32(),
        "score": pa.float64(),
        "score_sd": pa.float64(),
        "score_own_sd": pa.float64(),
        "above_middle": pa.float64(),
        "named": pa.string(),
        "of": pa.int32(),
    }
)


def write_tables(
    out_dir: str | Path,
    measured: Sequence[MeasuredStroke],
    rankings: Sequence[PlayerRanking],
) -> list[Path]:
    """Write the tables of a run: what was measured, and how the strokes compare.

    ``strokes`` has a row a stroke and ``measures`` a row a stroke and measure, each as Parquet
    and as CSV; ``ranking.parquet`` has a row a scored stroke, rank 1 the best ``of`` so many,
    and says of those ``named`` best or worst which they are.
    ``shared_sd`` is the part of ``sd`` that a player's strokes in one recording have in common.
    A value that was not measured is empty and its reason stands beside it. In ``strokes.csv``
    the measures follow as columns of their own, with unit and frame of reference in the header.
    The CSV files are UTF-8 with a byte-order mark, without which spreadsheets garble "°".

    Parameters
    ----------
    out_dir
        Folder for the files, made when missing; older ones are replaced.
    measured, rankings
        In the order wanted. Without any, the tables have their header and no rows.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    StoreError
        A file cannot be written; each is then whole, old or new.
    """
    out_dir = Path(out_dir)
    strokes = [_stroke(m) for m in measured]
    measures = [_measure(m, one) for m in measured for one in m.measures]
    return [
        _write_parquet(out_dir / "strokes.parquet", _STROKES, strokes),
        _write_parquet(out_dir / "measures.parquet", _MEASURES, measures),
        _write_parquet(out_dir / "ranking.parquet", _RANKING, _ranking(rankings)),
        _write_csv(out_dir / "strokes.csv", *_wide(measured, strokes)),
        _write_csv(out_dir / "measures.csv", _MEASURES.names, measures),
    ]


def _stroke(measured: MeasuredStroke) -> dict[str, object]:
    s = measured.stroke
    return {
        "recording": measured.recording,
        "number": s.number,
        "player": s.player,
        "hand": s.hand.value,
        "side": s.side.value,
        "side_probability": s.side_probability,
        "kind": s.kind.value,
        "p_drive": s.kind_probabilities[Kind.DRIVE],
        "p_slice": s.kind_probabilities[Kind.SLICE],
        "p_other": s.kind_probabilities[Kind.OTHER],
        "contact_s": s.contact_s,
        "contact_s_sd": s.contact_s_sd,
        "load_s": s.load_s,
        "forward_s": s.forward_s,
        "finish_s": s.finish_s,
        "heard": s.heard,
    }


def _measure(measured: MeasuredStroke, measure: Measure) -> dict[str, object]:
    return {
        "recording": measured.recording,
        "number": measured.stroke.number,
        "player": measured.stroke.player,
        "name": measure.name,
        "value": measure.value if measure.measured else None,
        "sd": measure.sd if measure.measured else None,
        "shared_sd": measure.shared_sd if measure.measured else None,
        "unit": measure.unit,
        "frame": measure.frame.value,
        "reason": measure.reason,
    }


def _ranking(rankings: Sequence[PlayerRanking]) -> list[dict[str, object]]:
    return [
        {
            "recording": ranked.stroke.recording,
            "number": ranked.stroke.stroke.number,
            "player": ranking.player,
            "kind": ranking.kind.value,
            "side": ranking.side.value,
            "rank": rank,
            "score": ranked.score,
            "score_sd": ranked.score_sd,
            "score_own_sd": ranked.score_own_sd,
            "above_middle": ranked.above_middle,
            "named": _named(ranked, ranking),
            "of": len(ranking.order),
        }
        for ranking in rankings
        for rank, ranked in enumerate(ranking.order, start=1)
    ]


def _named(ranked: RankedStroke, ranking: PlayerRanking) -> str | None:
    if ranked in ranking.best:
        return "best"
    return "worst" if ranked in ranking.worst else None


def _wide(
    measured: Sequence[MeasuredStroke], strokes: Sequence[Mapping[str, object]]
) -> tuple[list[str], list[dict[str, object]]]:
    """Header and rows with two columns a measure, and the reasons for empty ones in the last."""
    # A name may be stated in different frames from recording to recording: columns of their own.
    kinds = dict.fromkeys((m.name, m.unit, m.frame) for s in measured for m in s.measures)
    header = [*_STROKES.names, *(c for kind in kinds for c in _columns(*kind)), "not measured"]
    rows = []
    for one, stroke in zip(measured, strokes, strict=True):
        row = dict(stroke)
        for m in one.measures:
            if m.measured:
                row |= zip(_columns(m.name, m.unit, m.frame), (m.value, m.sd), strict=True)
        missing = [f"{m.name}: {m.reason}" for m in one.measures if not m.measured]
        rows.append(row | {"not measured": "; ".join(missing)})
    return header, rows


def _columns(name: str, unit: str, frame: str) -> tuple[str, str]:
    return f"{name} ({unit}, {frame})", f"{name} sd ({unit}, {frame})"


def _write_parquet(path: Path, schema: pa.Schema, rows: list[dict[str, object]]) -> Path:
    with written_whole(path) as beside, clear_write_errors(path):
        pq.write_table(pa.Table.from_pylist(rows, schema=schema), beside)
    return path


def _write_csv(path: Path, header: Sequence[str], rows: Iterable[Mapping[str, object]]) -> Path:
    with (
        written_whole(path) as beside,
        clear_write_errors(path),
        beside.open("w", encoding="utf-8-sig", newline="") as file,
    ):
        writer = csv.writer(file)
        writer.writerow(header)
        writer.writerows([_cell(row.get(name)) for name in header] for row in rows)
    return path


def _cell(value: object) -> object:
    # Ten digits keep microseconds over hours and spare the reader binary rounding tails.
    return f"{value:.10g}" if isinstance(value, float) else value

"""A first comparison of cohorts from the records: every player's point, and no winner.

Players are the unit, never strokes: the strokes of one player resemble each other, and counting
them as independent would make chance look like progress.
"""

import io
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from difflib import get_close_matches
from itertools import combinations, groupby

import numpy as np
from rich.box import ROUNDED
from rich.console import Console
from rich.table import Table
from sqlalchemy import Engine

from paddlebrief.errors import StoreError
from paddlebrief.records import FrameOfReference, Kind, Side
from paddlebrief.statistics import (
    bootstrap_interval,
    hedges_g,
    median_with_sd,
    minimal_detectable_change,
    typical_error,
)
from paddlebrief.store import CohortValue, cohort_values, measure_names

__all__ = [
    "FEWEST_PLAYERS",
    "CohortDifference",
    "CohortGroup",
    "CohortTable",
    "PlayerPoint",
    "as_json",
    "compare",
    "render_text",
]

FEWEST_PLAYERS = 10
"""Players a cohort needs before anything is said of it as a whole (common practice, no source)."""

ALL_DATES = "all dates"
NO_DATE = "no date"


@dataclass(frozen=True, kw_only=True)
class PlayerPoint:
    """One player's median of a measure, its standard uncertainty, and how many strokes it has."""

    player: str
    median: float
    sd: float
    strokes: int


@dataclass(frozen=True, kw_only=True)
class CohortGroup:
    """One cohort on one date, or on all of them.

    Attributes
    ----------
    cohort, when
        The cohort, and an ISO date, ``"no date"`` or ``"all dates"``.
    points
        One a player with at least one measured stroke, by name.
    median
        Median of the players' points; NaN without any.
    interval, interval_reason
        95 % interval of that median, resampling players; or None, and why.
    strokes
        Measured strokes.
    typical_error, typical_error_sd
        SD of single strokes within a player; NaN when no player has two.
    detectable_change
        By how much two strokes of a player must differ before more than this scatter is shown.
    missing
        Strokes without a value, by reason.
    """

    cohort: str
    when: str
    points: tuple[PlayerPoint, ...]
    median: float
    interval: tuple[float, float] | None
    interval_reason: str | None
    strokes: int
    typical_error: float
    typical_error_sd: float
    detectable_change: float
    missing: Mapping[str, int]


@dataclass(frozen=True, kw_only=True)
class CohortDifference:
    """Two cohorts over all dates, first minus second.

    ``median`` is the difference of their medians in the measure's unit and ``g`` Hedges' g of
    the players' points, each with a 95 % interval; both are None when ``reason`` says why.
    """

    first: str
    second: str
    median: float | None = None
    median_interval: tuple[float, float] | None = None
    g: float | None = None
    g_interval: tuple[float, float] | None = None
    reason: str | None = None


@dataclass(frozen=True, kw_only=True)
class CohortTable:
    """Cohorts side by side in one measure, in the order of their names and dates.

    ``unit`` and ``frame`` are None when nothing was measured. ``notes`` are the sentences that
    belong under the table.
    """

    measure: str
    unit: str | None
    frame: FrameOfReference | None
    kind: Kind | None
    side: Side | None
    groups: tuple[CohortGroup, ...]
    differences: tuple[CohortDifference, ...]
    notes: tuple[str, ...]


def compare(
    engine: Engine, *, measure: str, kind: Kind | None = None, side: Side | None = None
) -> CohortTable:
    """Compare cohorts in one measure.

    Numbers stated in different frames of reference are not mixed: the most frequent frame is
    used, and the rest counts as missing.

    Parameters
    ----------
    engine
        The records.
    measure
        Name of the measure (``hip_line_at_load_deg``).
    kind, side
        Only strokes decided so; None takes all.

    Returns
    -------
    CohortTable
        Without groups when no player with a cohort has such a stroke.

    Raises
    ------
    StoreError
        The records cannot be read, or hold measures but none of that name.
    """
    known = measure_names(engine)
    if known and measure not in known:
        close = get_close_matches(measure, known, n=1)
        raise StoreError(
            f"no measure is called {measure!r}",
            expected="one of " + ", ".join(known),
            todo=f"did you mean {close[0]}?" if close else None,
        )
    values = cohort_values(engine, measure=measure, kind=kind, side=side)
    stated = Counter(
        (v.measure.unit, v.measure.frame)
        for v in values
        if v.measure is not None and v.measure.measured
    )
    unit, frame = stated.most_common(1)[0][0] if stated else (None, None)
    groups = _groups(values, frame)
    overall = [g for g in groups if g.when == ALL_DATES]
    return CohortTable(
        measure=measure,
        unit=unit,
        frame=frame,
        kind=kind,
        side=side,
        groups=groups,
        differences=tuple(_difference(a, b) for a, b in combinations(overall, 2)),
        notes=_notes(overall, frame, mixed=kind is None or side is None),
    )


def _groups(
    values: Sequence[CohortValue], frame: FrameOfReference | None
) -> tuple[CohortGroup, ...]:
    """Every cohort over all dates, followed by its dates when there are several."""
    groups = []
    for cohort, of_cohort in groupby(values, key=lambda v: v.cohort):
        of_cohort = list(of_cohort)
        groups.append(_group(cohort, ALL_DATES, of_cohort, frame))
        dates = [list(same) for _, same in groupby(of_cohort, key=lambda v: v.held_on)]
        if len(dates) > 1:
            for same in dates:
                day = same[0].held_on
                when = NO_DATE if day is None else day.isoformat()
                groups.append(_group(cohort, when, same, frame))
    return tuple(groups)


def _group(
    cohort: str, when: str, values: Sequence[CohortValue], frame: FrameOfReference | None
) -> CohortGroup:
    measured: dict[str, list[tuple[float, float]]] = {}
    missing: Counter[str] = Counter()
    for value in values:
        reason = _why_missing(value, frame)
        if reason is None:
            pair = value.measure.value, value.measure.sd
            measured.setdefault(value.player, []).append(pair)
        else:
            missing[reason] += 1
    points, strokes = [], []
    for player, pairs in sorted(measured.items()):
        of_player, sds = np.array(pairs).T
        median, sd = median_with_sd(of_player, sds)
        points.append(PlayerPoint(player=player, median=median, sd=sd, strokes=len(pairs)))
        strokes.append(of_player)
    medians = np.array([p.median for p in points])
    error, error_sd = typical_error(strokes)
    few = f"{len(points)} of at least {FEWEST_PLAYERS} players"
    return CohortGroup(
        cohort=cohort,
        when=when,
        points=tuple(points),
        median=float(np.median(medians)) if len(points) else np.nan,
        interval=bootstrap_interval([medians], _median) if _enough(points) else None,
        interval_reason=None if _enough(points) else few,
        strokes=sum(p.strokes for p in points),
        typical_error=error,
        typical_error_sd=error_sd,
        detectable_change=minimal_detectable_change(error),
        missing=dict(missing.most_common()),
    )


def _why_missing(value: CohortValue, frame: FrameOfReference | None) -> str | None:
    if value.measure is None:
        return "saved without this measure"
    if not value.measure.measured:
        return value.measure.reason
    if value.measure.frame != frame:
        return f"stated in another frame ({value.measure.frame})"
    return None


def _enough(points: Sequence[PlayerPoint]) -> bool:
    return len(points) >= FEWEST_PLAYERS


def _median(values: np.ndarray) -> np.ndarray:
    return np.median(values, axis=-1)


def _difference(first: CohortGroup, second: CohortGroup) -> CohortDifference:
    both = {p.player for p in first.points} & {p.player for p in second.points}
    reason = None
    if not (_enough(first.points) and _enough(second.points)):
        reason = f"fewer than {FEWEST_PLAYERS} players in a cohort"
    elif both:
        reason = "not independent, players in both: " + ", ".join(sorted(both))
    if reason is not None:
        return CohortDifference(first=first.cohort, second=second.cohort, reason=reason)
    groups = [np.array([p.median for p in g.points]) for g in (first, second)]
    g = float(hedges_g(*groups))
    if np.isnan(g):
        return CohortDifference(
            first=first.cohort, second=second.cohort, reason="no spread between players"
        )
    return CohortDifference(
        first=first.cohort,
        second=second.cohort,
        median=first.median - second.median,
        median_interval=bootstrap_interval(groups, lambda a, b: _median(a) - _median(b)),
        g=g,
        g_interval=bootstrap_interval(groups, hedges_g),
    )


def _notes(
    overall: Sequence[CohortGroup], frame: FrameOfReference | None, *, mixed: bool
) -> tuple[str, ...]:
    if not overall:
        return ("No player with a cohort has such a stroke in the records.",)
    notes = []
    small = [g.cohort for g in overall if not _enough(g.points)]
    if small:
        notes.append(
            f"Fewer than {FEWEST_PLAYERS} players in {', '.join(small)}: the points are shown "
            "as they are, without an interval, and nothing is ranked."
        )
    if len(small) < len(overall):
        notes.append(
            "Intervals hold the true value 95 times in 100; they come from resampling players."
        )
    if mixed:
        notes.append(
            "Forehands and backhands or kinds of stroke are mixed: name both to compare like "
            "with like."
        )
    if frame is FrameOfReference.IMAGE:
        notes.append(
            "Numbers in the image plane depend on where the camera stood: compare only "
            "sessions filmed from the same place."
        )
    return tuple(notes)


def as_json(table: CohortTable) -> dict[str, object]:
    """The table as plain lists, dicts and numbers for JSON; NaN becomes None."""
    return _plain(asdict(table))


def _plain(value: object) -> object:
    if isinstance(value, Mapping):
        return {key: _plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(entry) for entry in value]
    if isinstance(value, float) and np.isnan(value):
        return None
    return value


def render_text(table: CohortTable, *, width: int = 100) -> str:
    """The table as text for a terminal of ``width`` columns; by date only the strips of points."""
    console = Console(file=io.StringIO(), width=width, highlight=False, markup=False, emoji=False)
    strokes = " ".join(w for w in (table.side, table.kind) if w is not None) or "all strokes"
    stated = "nothing measured" if table.unit is None else f"in {table.unit}, {table.frame}"
    console.print(f"{table.measure} ({stated}), {strokes}")
    overall = [g for g in table.groups if g.when == ALL_DATES]
    if overall:
        console.print(_group_table(table.groups))
        console.print(_point_table(overall))
    for difference in table.differences:
        console.print(_difference_line(difference, table.unit))
    for group in overall:
        console.print("\n".join(_group_lines(group, table.unit)))
    for note in table.notes:
        console.print(note)
    return console.file.getvalue()


def _group_table(groups: Sequence[CohortGroup]) -> Table:
    medians = [p.median for g in groups for p in g.points]
    extent = (min(medians), max(medians)) if medians else (0.0, 0.0)
    grid = Table("cohort", "when", box=ROUNDED)
    for heading in ("players", "strokes", "missing"):
        grid.add_column(heading, justify="right")
    grid.add_column("median (95 % interval)")
    grid.add_column(f"players, {extent[0]:.4g} to {extent[1]:.4g}", no_wrap=True)
    for group in groups:
        missing = str(sum(group.missing.values()))
        grid.add_row(
            group.cohort,
            group.when,
            str(len(group.points)),
            str(group.strokes),
            missing,
            _median_text(group),
            _strip(group, extent),
        )
    return grid


def _median_text(group: CohortGroup) -> str:
    if not group.points:
        return "not measured"
    if group.interval is None:
        return _rounded(group.median, min(p.sd for p in group.points)) + " (no interval)"
    return "{} ({} to {})".format(*_with_interval(group.median, group.interval))


def _group_lines(group: CohortGroup, unit: str | None) -> list[str]:
    lines = []
    if group.interval_reason is not None:
        lines.append(f"{group.cohort}: no interval, {group.interval_reason}.")
    if not np.isnan(group.typical_error):
        scatter = _with_sd(group.typical_error, group.typical_error_sd)
        change = _rounded(
            group.detectable_change, minimal_detectable_change(group.typical_error_sd)
        )
        lines.append(
            f"{group.cohort}: single strokes of a player scatter by {scatter} {unit}; two must "
            f"be {change} {unit} apart to show a change (95 %)."
        )
    for reason, strokes in group.missing.items():
        lines.append(f"{group.cohort}: not measured in {strokes} strokes, {reason}.")
    return lines


def _strip(group: CohortGroup, extent: tuple[float, float], cells: int = 25) -> str:
    """The points on a line of characters: o one player, O several, | the median."""

    def cell(value: float) -> int:
        low, high = extent
        return round((cells - 1) * (value - low) / (high - low)) if high > low else 0

    counts = Counter(cell(p.median) for p in group.points)
    line = [" " if n == 0 else "o" if n == 1 else "O" for n in (counts[i] for i in range(cells))]
    if group.points and not counts[cell(group.median)]:
        line[cell(group.median)] = "|"
    return "".join(line).rstrip()


def _point_table(groups: Sequence[CohortGroup]) -> Table:
    grid = Table("cohort", "player", "median ± standard uncertainty", box=ROUNDED)
    grid.add_column("strokes", justify="right")
    for group in groups:
        for p in group.points:
            grid.add_row(group.cohort, p.player, _with_sd(p.median, p.sd), str(p.strokes))
    return grid


def _difference_line(difference: CohortDifference, unit: str | None) -> str:
    pair = f"{difference.first} minus {difference.second}"
    if difference.reason is not None:
        return f"{pair}: not stated, {difference.reason}."
    median, low, high = _with_interval(difference.median, difference.median_interval)
    g_low, g_high = difference.g_interval
    return (
        f"{pair}: medians differ by {median} {unit} ({low} to {high}), "
        f"Hedges' g {difference.g:.2f} ({g_low:.2f} to {g_high:.2f})."
    )


def _with_sd(value: float, sd: float) -> str:
    return f"{_rounded(value, sd)} ± {_rounded(sd, sd)}"


def _with_interval(value: float, interval: tuple[float, float]) -> list[str]:
    # An interval of 95 % spans about four standard uncertainties.
    sd = (interval[1] - interval[0]) / 4
    return [_rounded(x, sd) for x in (value, *interval)]


def _rounded(value: float, sd: float) -> str:
    """The value to two significant digits of its uncertainty, as the GUM advises."""
    decimals = 1 - int(np.floor(np.log10(sd))) if sd > 0 else 3
    return f"{value:.{max(decimals, 0)}f}"

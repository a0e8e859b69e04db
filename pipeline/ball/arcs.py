"""Arcs: candidates that lie on one smooth path in the picture, each between two breaks.

A path in the picture is taken as a Taylor series whose acceleration and jerk are small against
what a ball near the camera can do; its posterior predicts the next place with an uncertainty, and
what lies inside is taken in. A bounce or a hit turns the path and so ends the arc.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from paddlebrief.ball.records import Candidates
from paddlebrief.ball.settings import BallTrackSettings

__all__ = [
    "Curve",
    "best_cut",
    "cut_at_turns",
    "edge_rows",
    "find_arcs",
    "fit_curve",
    "moving_rows",
    "turn_of",
]

_ACCELERATION_WIDTHS = 2.5
_JERK_WIDTHS = 12.0
"""Spread of acceleration and jerk in the picture, picture widths per s² and s³: a ball 4 m from a
lens of 70° falls at 1.8 widths per s² (worked out), one that comes closer turns faster."""
_WINDOW = 8
_GATE = 4.0
_TRIM = 4
_SEEDS, _LONG = 2, 12
_EDGE, _EDGE_S = 6, 0.1
_TURN_S, _TURN_MOST = 0.2, 20
_TURN = 18.0
_MARGIN = 2
"""Least squared change of velocity over its variance that cuts an arc; its mean without a turn is
2, and some hundred places are looked at."""


@dataclass(frozen=True, kw_only=True)
class Curve:
    """A smooth path in the picture around ``anchor_s``.

    ``terms`` (4, 2) are place, velocity, acceleration and jerk; ``covariance`` (4, 4) is that of
    one coordinate.
    """

    anchor_s: float
    terms: np.ndarray
    covariance: np.ndarray

    def at(self, time_s: float | np.ndarray) -> np.ndarray:
        """(…, 2) places."""
        return _taylor(np.asarray(time_s) - self.anchor_s) @ self.terms

    def velocity_at(self, time_s: float | np.ndarray) -> np.ndarray:
        """(…, 2) velocities, px/s."""
        return _taylor(np.asarray(time_s) - self.anchor_s)[..., :3] @ self.terms[1:]

    def sd_at(self, time_s: float | np.ndarray) -> np.ndarray:
        """(…,) standard uncertainty of one coordinate of the place."""
        x = _taylor(np.asarray(time_s) - self.anchor_s)
        return np.sqrt(np.einsum("...i,ij,...j->...", x, self.covariance, x))

    def velocity_sd_at(self, time_s: float | np.ndarray) -> np.ndarray:
        """(…,) standard uncertainty of one coordinate of the velocity, px/s."""
        x = _taylor(np.asarray(time_s) - self.anchor_s)[..., :3]
        return np.sqrt(np.einsum("...i,ij,...j->...", x, self.covariance[1:, 1:], x))


def _taylor(tau: np.ndarray) -> np.ndarray:
    return np.stack([np.ones_like(tau), tau, tau**2 / 2, tau**3 / 6], axis=-1)


def fit_curve(
    time_s: np.ndarray, px: np.ndarray, sd_px: np.ndarray, *, width_px: float, anchor_s: float
) -> Curve:
    """Least squares of a Taylor series with a prior on its acceleration and jerk.

    Parameters
    ----------
    time_s, px, sd_px
        (n,), (n, 2) and (n,), n at least 2.
    width_px
        Width of the picture: sets the prior's scale.
    anchor_s
        Where the series is taken around.
    """
    x = _taylor(time_s - anchor_s)
    weighted = x / (sd_px**2)[:, None]
    prior = (_ACCELERATION_WIDTHS * width_px, _JERK_WIDTHS * width_px)
    # A tiny weight on place and velocity keeps two points at one time solvable.
    keep = np.diag([1e-12, 1e-12, prior[0] ** -2, prior[1] ** -2])
    covariance = np.linalg.inv(weighted.T @ x + keep)
    return Curve(anchor_s=anchor_s, terms=covariance @ (weighted.T @ px), covariance=covariance)


def moving_rows(candidates: Candidates, settings: BallTrackSettings) -> np.ndarray:
    """(m,) rows of the candidates that count and are not part of something that stays in place.

    What stays is seen near the same pixel in a third or more of the frames for
    ``settings.still_s`` around: lamps, round yellow things, balls that lie on the floor.
    """
    rows = np.flatnonzero(candidates.score >= settings.min_score)
    if len(rows) == 0 or len(candidates.frame_time_s) < 2:
        return rows
    frames = settings.still_s / float(np.median(np.diff(candidates.frame_time_s)))
    half = settings.still_s / 2
    scale = np.array([1 / settings.still_px, 1 / settings.still_px, 1 / half])
    points = np.column_stack([candidates.px[rows], candidates.time_s[rows]]) * scale
    tree = cKDTree(points)
    most = np.zeros(len(rows))
    # Before, around and after, so that what starts or ends to lie still is caught at once.
    for shift in (-1.0, 0.0, 1.0):
        near = tree.query_ball_point(
            points + np.array([0, 0, shift]), 1.0, p=np.inf, return_length=True
        )
        most = np.maximum(most, near)
    return rows[most <= frames / 3]


def find_arcs(
    candidates: Candidates, rows: np.ndarray, *, width_px: float, settings: BallTrackSettings
) -> list[np.ndarray]:
    """Rows of the candidates of each arc, in order of time; empty when nothing flies.

    Three candidates of near frames whose middle one lies between the others start an arc; it is
    grown to both sides while the next candidate lies within four standard deviations of its
    predicted place, up to ``settings.reach_s`` and ``settings.reach_px`` without one. Of a
    candidate's arcs the longest is kept. Seen from far or in many frames a
    second, a bounce turns the path too little to end it: see `cut_at_turns`.
    """
    if len(rows) == 0:
        return []
    grower = _Grower(candidates, rows, width_px, settings)
    arcs = []
    for row in rows:
        best: list[int] = []
        for seed in grower.seeds(row):
            best = max(best, grower.grow(seed), key=len)
            if len(best) >= _LONG:
                break
        if len(best) >= settings.min_points:
            grower.taken[best] = True
            arcs.append(np.array(best))
    return sorted(arcs, key=lambda a: a[0])


def edge_rows(rows: np.ndarray, time_s: np.ndarray, *, last: bool) -> np.ndarray:
    """The last or first rows of an arc: a tenth of a second of them, or six where that is more."""
    time = time_s[rows]
    if last:
        return rows[min(np.searchsorted(time, time[-1] - _EDGE_S), max(len(rows) - _EDGE, 0)) :]
    return rows[: max(np.searchsorted(time, time[0] + _EDGE_S, side="right"), _EDGE)]


def cut_at_turns(
    rows: np.ndarray, candidates: Candidates, settings: BallTrackSettings
) -> list[np.ndarray]:
    """An arc in pieces, cut where its path turns at once as it does in a bounce.

    Pieces of less than ``settings.min_points`` are left out: they are candidates beyond a bounce
    that the growing arc took for its own.
    """
    cut = best_cut(rows, candidates, least=_TURN, settings=settings)
    if cut is None:
        return [rows]
    parts = [p for p in (rows[:cut], rows[cut:]) if len(p) >= settings.min_points]
    return [piece for part in parts for piece in cut_at_turns(part, candidates, settings)]


def best_cut(
    rows: np.ndarray, candidates: Candidates, *, least: float, settings: BallTrackSettings
) -> int | None:
    """Where an arc turns most surely, as the number of rows before; None below ``least``."""
    cuts = likely_cuts(rows, candidates, least=least, most=1, settings=settings)
    return cuts[0] if cuts else None


def likely_cuts(
    rows: np.ndarray,
    candidates: Candidates,
    *,
    least: float,
    most: int,
    settings: BallTrackSettings,
) -> list[int]:
    """Up to ``most`` places where an arc turns, apart from each other, the surest first.

    Each is the number of rows before; none where the turn is below ``least`` (see `turn_of`).
    """
    time = candidates.time_s[rows]
    places = range(_MARGIN, len(rows) - _MARGIN + 1) if len(rows) > settings.min_points else ()
    middles = np.array([(time[k - 1] + time[k]) / 2 for k in places])
    turns = np.array(
        [
            turn_of(rows[:k], rows[k:], candidates, at_s=at)
            for k, at in zip(places, middles, strict=True)
        ]
    )
    cuts: list[int] = []
    while len(cuts) < most and turns.max(initial=0.0) >= least:
        around = middles[int(np.argmax(turns))]
        near = np.flatnonzero(np.abs(middles - around) < _TURN_S)
        # Only turns that are judged by the same candidates can tell the likeliest place.
        again = [
            turn_of(
                rows[: places[i]], rows[places[i] :], candidates, at_s=middles[i], around_s=around
            )
            for i in near
        ]
        cuts.append(places[near[int(np.argmax(again))]])
        turns[np.abs(middles - around) < _TURN_S / 2] = 0.0
    return cuts


def turn_of(
    before: np.ndarray,
    after: np.ndarray,
    candidates: Candidates,
    *,
    at_s: float,
    around_s: float | None = None,
) -> float:
    """How surely the path turns between two arcs: squared change of velocity over its variance.

    One cubic and a bend at ``at_s`` are fitted to what lies within a fifth of a second
    of ``around_s``, or of the bend; about 2
    without a turn. The cubic's terms are free: from far, gravity is small against what they could
    be near the camera, and a bounce no more than that.
    """
    time = candidates.time_s
    around = at_s if around_s is None else around_s
    before = before[time[before] > around - _TURN_S][-_TURN_MOST:]
    after = after[time[after] < around + _TURN_S][:_TURN_MOST]
    rows = np.concatenate([before, after])
    tau = (time[rows] - at_s) / _TURN_S
    x = np.stack([np.ones_like(tau), tau, tau**2, tau**3, np.maximum(tau, 0)], axis=1)
    x, y = (v / candidates.sd_px[rows, None] for v in (x, candidates.px[rows]))
    covariance = np.linalg.inv(x.T @ x + 1e-6 * np.eye(5))
    bend = (covariance @ (x.T @ y))[4]
    return float(bend @ bend / covariance[4, 4])


class _Grower:
    """Grows arcs over candidates sorted by frame."""

    def __init__(self, candidates, rows, width_px, settings) -> None:
        self.c, self.width, self.settings = candidates, width_px, settings
        self.taken = np.zeros(len(candidates), bool)
        self.rows = rows
        self.frames, first = np.unique(candidates.frame[rows], return_index=True)
        self.groups = np.split(rows, first[1:])
        self.group_of = {int(f): k for k, f in enumerate(self.frames)}
        self.times = np.array([candidates.time_s[g[0]] for g in self.groups])
        self.interval = (
            float(np.median(np.diff(candidates.frame_time_s)))
            if len(candidates.frame_time_s) > 1
            else 1.0
        )

    def _free(self, group: int) -> np.ndarray:
        rows = self.groups[group]
        return rows[~self.taken[rows]]

    def _next(self, group: int) -> range:
        """The two groups that follow, as far as the time to the next frames allows."""
        last = group + 1
        while last < len(self.groups) and last <= group + 2:
            if self.times[last] - self.times[group] > 3.5 * self.interval:
                break
            last += 1
        return range(group + 1, last)

    def seeds(self, row: int):
        """Triples of rows that start at ``row`` and may be a ball: the nearest in time, and those
        nearest to even motion."""
        if self.taken[row]:
            return []
        c, found = self.c, []
        fastest = self.settings.max_speed_widths * self.width
        start = self.group_of[int(c.frame[row])]
        for middle in self._next(start):
            for m in self._free(middle):
                first = c.time_s[m] - c.time_s[row]
                velocity = (c.px[m] - c.px[row]) / first
                if np.hypot(*velocity) > fastest:
                    continue
                for end in self._next(middle):
                    found += self._ends(row, m, end, velocity)
        nearest = sorted(found, key=lambda f: (c.time_s[f[3]], f[0]))[:_SEEDS]
        evenest = sorted(found, key=lambda f: f[0])[:_SEEDS]
        return [list(rows) for rows in dict.fromkeys(tuple(f[1:]) for f in nearest + evenest)]

    def _ends(self, row, middle, group, velocity):
        c, rows = self.c, self._free(group)
        ahead, since = c.time_s[rows] - c.time_s[middle], c.time_s[middle] - c.time_s[row]
        off = c.px[rows] - c.px[middle] - velocity * ahead[:, None]
        bend = 2 * _ACCELERATION_WIDTHS * self.width * ahead * (ahead + since) / 2
        noise = 3 * np.hypot(c.sd_px[rows], c.sd_px[middle] * (1 + ahead / since))
        share = np.hypot(*off.T) / (bend + noise)
        return [(s, row, middle, r) for s, r in zip(share, rows, strict=True) if s < 1]

    def grow(self, seed: list[int]) -> list[int]:
        """The seed with all that continues it, in order of time."""
        arc = list(seed)
        for direction in (1, -1):
            self._extend(arc, direction)
        if self._trim(arc):
            for direction in (1, -1):
                self._extend(arc, direction)
        return arc

    def _trim(self, arc: list[int]) -> bool:
        """Drop ends that the rest of the arc does not lead to, as a seed's false start."""
        before = len(arc)
        for last in (True, False):
            while len(arc) > _TRIM:
                row = arc[-1 if last else 0]
                near = np.array(arc[-_WINDOW - 1 : -1] if last else arc[1 : _WINDOW + 1])
                curve = self._curve(near, float(self.c.time_s[row]))
                off = np.hypot(*(self.c.px[row] - curve.terms[0]))
                if off < _GATE * np.hypot(np.sqrt(curve.covariance[0, 0]), self.c.sd_px[row]):
                    break
                arc.pop(-1 if last else 0)
        return len(arc) < before

    def _curve(self, rows: np.ndarray, anchor_s: float) -> Curve:
        c = self.c
        return fit_curve(
            c.time_s[rows], c.px[rows], c.sd_px[rows], width_px=self.width, anchor_s=anchor_s
        )

    def _extend(self, arc: list[int], direction: int) -> None:
        c = self.c
        edge = arc[-1] if direction > 0 else arc[0]
        group = self.group_of[int(c.frame[edge])] + direction
        curve = None
        while 0 <= group < len(self.groups):
            edge = arc[-1] if direction > 0 else arc[0]
            if abs(self.times[group] - c.time_s[edge]) > self.settings.reach_s:
                return
            if curve is None:
                near = np.array(arc[-_WINDOW:] if direction > 0 else arc[:_WINDOW])
                curve = self._curve(near, float(c.time_s[edge]))
            found = self._continuing(curve, group)
            if found is False:
                return
            if found is not None:
                arc.insert(len(arc) if direction > 0 else 0, found)
                curve = None
            group += direction

    def _continuing(self, curve: Curve, group: int):
        """The row that continues the arc, None without one, False beyond the curve's reach."""
        sd = float(curve.sd_at(self.times[group]))
        if sd > max(self.settings.reach_px, 8 * float(np.median(self.c.sd_px[self.groups[group]]))):
            return False
        rows = self._free(group)
        if len(rows) == 0:
            return None
        c = self.c
        off = np.hypot(*(c.px[rows] - curve.at(c.time_s[rows])).T) / np.hypot(sd, c.sd_px[rows])
        best = int(np.argmin(off))
        return int(rows[best]) if off[best] < _GATE else None

"""Tracks in the picture alone, for recordings whose court is not solved."""

import numpy as np

from paddlebrief.ball.arcs import fit_curve
from paddlebrief.ball.build import Linked
from paddlebrief.ball.joints import Joint
from paddlebrief.ball.records import BallTrack, Break, BreakKind, Candidates, Flight

__all__ = ["is_arc_of_ball", "planar_track"]

_LEAST_WAY_WIDTHS, _LEAST_ROWS = 0.05, 5
_LEAST_SPEED_WIDTHS = 0.15
_WORST_RMS = 2.0
_NOWHERE = np.full(3, np.nan)


def is_arc_of_ball(rows: np.ndarray, candidates: Candidates, width_px: float) -> bool:
    """Whether an arc goes far and fast enough, and turns only up and down, as a ball's does.

    A thrown thing's path in the picture bends to the ground, so that its sideways direction stays;
    hands and shoes swing back. Four candidates lie on such a path by chance too often.
    """
    time, px, sd = candidates.time_s[rows], candidates.px[rows], candidates.sd_px[rows]
    curve = fit_curve(time, px, sd, width_px=width_px, anchor_s=float(time.mean()))
    path = curve.at(time)
    way = float(np.sum(np.hypot(*np.diff(path, axis=0).T)))
    sideways = np.diff(path[:, 0])
    back = float(min(np.sum(sideways[sideways > 0]), -np.sum(sideways[sideways < 0])))
    rms = float(np.sqrt(np.mean(np.sum((px - path) ** 2, axis=1) / sd**2) / 2))
    return bool(
        len(rows) >= _LEAST_ROWS
        and way > _LEAST_WAY_WIDTHS * width_px
        and way > _LEAST_SPEED_WIDTHS * width_px * (time[-1] - time[0])
        and back < 0.05 * way
        and rms < _WORST_RMS
    )


def planar_track(linked: Linked, candidates: Candidates, width_px: float) -> BallTrack:
    """One track of linked arcs; its breaks lie where the arcs meet."""
    first, last = linked.arcs[0][0], linked.arcs[-1][-1]
    breaks = [
        _end(candidates, first, BreakKind.START),
        *(_break(joint) for joint in linked.joints),
        _end(candidates, last, BreakKind.END),
    ]
    flights = []
    for k, rows in enumerate(linked.arcs):
        time, px, sd = candidates.time_s[rows], candidates.px[rows], candidates.sd_px[rows]
        anchor = float(time.mean())
        curve = fit_curve(time, px, sd, width_px=width_px, anchor_s=anchor)
        off = np.sum((px - curve.at(time)) ** 2, axis=1) / sd**2
        flights.append(
            Flight(
                start=breaks[k],
                end=breaks[k + 1],
                rows=rows,
                anchor_s=anchor,
                position_m=_NOWHERE,
                velocity_mps=_NOWHERE,
                rim_mps=_NOWHERE,
                covariance=np.full((9, 9), np.nan),
                curve_px=curve.terms / np.array([[1.0], [1.0], [2.0], [6.0]]),
                rms=float(np.sqrt(np.mean(off) / 2)),
            )
        )
    return BallTrack(
        number=1,
        flights=tuple(flights),
        parameters=np.zeros(0),
        covariance=np.zeros((0, 0)),
    )


def _end(candidates: Candidates, row: int, kind: BreakKind) -> Break:
    return Break(
        kind=kind,
        time_s=float(candidates.time_s[row]),
        time_s_sd=np.nan,
        px=candidates.px[row],
        place_m=_NOWHERE,
        covariance_m2=np.full((3, 3), np.nan),
    )


def _break(joint: Joint) -> Break:
    """A joint as a break: a bounce where the ball fell and then rises on its way, else a turn."""
    (x, y), (x2, y2) = joint.velocity_before, joint.velocity_after
    falls_then_rises = y > 0 > y2
    goes_on = x * x2 > 0 or abs(x2 - x) < abs(y2 - y) / 2
    return Break(
        kind=BreakKind.BOUNCE if falls_then_rises and goes_on else BreakKind.TURN,
        time_s=joint.time_s,
        time_s_sd=joint.time_s_sd,
        px=joint.px,
        place_m=_NOWHERE,
        covariance_m2=np.full((3, 3), np.nan),
    )

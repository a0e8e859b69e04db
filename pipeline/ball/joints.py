"""Which arc follows which: two arcs of one ball meet between frames, at a bounce or a hit."""

from dataclasses import dataclass

import numpy as np

from paddlebrief.ball.arcs import Curve, fit_curve
from paddlebrief.ball.records import Candidates
from paddlebrief.ball.settings import BallTrackSettings

__all__ = ["Joint", "find_joints", "merge_through_gaps"]

_EDGE = 8
_NEAR = 16.0
_VAGUE_WIDTHS = 0.04
_GAP_COST_PER_S = 20.0
_OVERLAP_FRAMES = 1.5


@dataclass(frozen=True, kw_only=True)
class Joint:
    """Where two arcs meet.

    ``before`` and ``after`` number the arcs; ``turn`` is the squared change of velocity over its
    variance, small where the path goes on unbent; ``cost`` the squared distance of the two paths
    over its variance, plus a price on the time in between.
    """

    before: int
    after: int
    time_s: float
    px: np.ndarray
    velocity_before: np.ndarray
    velocity_after: np.ndarray
    turn: float
    cost: float


def find_joints(
    arcs: list[np.ndarray], candidates: Candidates, *, width_px: float, settings: BallTrackSettings
) -> list[Joint]:
    """The joints of arcs, at most one before and one after each arc, in order of time.

    Both arcs are continued by their edges' curves over at most ``settings.join_s``; they meet
    where their distance is least against its uncertainty.
    """
    interval = _interval_s(candidates)
    starts = np.array([candidates.time_s[a[0]] for a in arcs])
    found = []
    for i, arc in enumerate(arcs):
        end = candidates.time_s[arc[-1]]
        low, high = end - _OVERLAP_FRAMES * interval, end + settings.join_s
        for j in np.flatnonzero((starts >= low) & (starts <= high)):
            if j != i and candidates.time_s[arcs[j][-1]] > end:
                joint = _meet(i, int(j), arcs, candidates, width_px)
                if joint is not None:
                    found.append(joint)
    found.sort(key=lambda joint: joint.cost)
    chosen, left, entered = [], set(), set()
    for joint in found:
        if joint.before not in left and joint.after not in entered:
            chosen.append(joint)
            left.add(joint.before)
            entered.add(joint.after)
    return sorted(chosen, key=lambda joint: joint.time_s)


def _interval_s(candidates: Candidates) -> float:
    times = candidates.frame_time_s
    return float(np.median(np.diff(times))) if len(times) > 1 else 1.0


def edge_curve(rows: np.ndarray, candidates: Candidates, width_px: float, *, last: bool) -> Curve:
    """The curve of an arc's last or first candidates, taken around its end."""
    near = rows[-_EDGE:] if last else rows[:_EDGE]
    return fit_curve(
        candidates.time_s[near],
        candidates.px[near],
        candidates.sd_px[near],
        width_px=width_px,
        anchor_s=float(candidates.time_s[near[-1] if last else near[0]]),
    )


def _meet(i: int, j: int, arcs, candidates: Candidates, width_px: float) -> Joint | None:
    before = edge_curve(arcs[i], candidates, width_px, last=True)
    after = edge_curve(arcs[j], candidates, width_px, last=False)
    margin = _OVERLAP_FRAMES * _interval_s(candidates)
    ends = sorted((before.anchor_s, after.anchor_s))
    times = np.linspace(ends[0] - margin, ends[1] + margin, 41)
    sd = np.hypot(before.sd_at(times), after.sd_at(times))
    off = np.hypot(*(before.at(times) - after.at(times)).T) / np.hypot(sd, 1.0)
    best = int(np.argmin(off))
    if off[best] ** 2 > _NEAR or sd[best] > _VAGUE_WIDTHS * width_px:
        return None
    time = float(times[best])
    weight = np.array([after.sd_at(time) ** 2, before.sd_at(time) ** 2])
    places = np.stack([before.at(time), after.at(time)])
    velocities = before.velocity_at(time), after.velocity_at(time)
    spread = before.velocity_sd_at(time) ** 2 + after.velocity_sd_at(time) ** 2
    return Joint(
        before=i,
        after=j,
        time_s=time,
        px=weight @ places / weight.sum(),
        velocity_before=velocities[0],
        velocity_after=velocities[1],
        turn=float(np.sum((velocities[1] - velocities[0]) ** 2) / spread),
        cost=float(off[best] ** 2 + _GAP_COST_PER_S * max(0.0, ends[1] - ends[0])),
    )


def merge_through_gaps(
    arcs: list[np.ndarray], candidates: Candidates, *, width_px: float, settings: BallTrackSettings
) -> list[np.ndarray]:
    """Arcs with those put together that go on unbent after a gap.

    One curve through both edges must leave no more than its candidates' noise.
    """
    arcs = list(arcs)
    while True:
        joints = find_joints(arcs, candidates, width_px=width_px, settings=settings)
        pair = next((j for j in joints if _is_one(j, arcs, candidates, width_px)), None)
        if pair is None:
            return arcs
        merged = np.sort(np.concatenate([arcs[pair.before], arcs[pair.after]]))
        arcs = [a for k, a in enumerate(arcs) if k not in (pair.before, pair.after)]
        arcs = sorted([*arcs, merged], key=lambda a: a[0])


def _is_one(joint: Joint, arcs, candidates: Candidates, width_px: float) -> bool:
    rows = np.concatenate([arcs[joint.before][-5:], arcs[joint.after][:5]])
    time, px, sd = candidates.time_s[rows], candidates.px[rows], candidates.sd_px[rows]
    curve = fit_curve(time, px, sd, width_px=width_px, anchor_s=joint.time_s)
    off = np.hypot(*(px - curve.at(time)).T) / sd
    return bool(np.mean(off**2) < 4.0 and off.max() < 4.5)

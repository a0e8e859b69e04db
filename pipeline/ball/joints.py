"""Which arc follows which: two arcs of one ball meet between frames, at a bounce or a hit."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from paddlebrief.ball.arcs import Curve, edge_rows, fit_curve, turn_of
from paddlebrief.ball.records import Candidates
from paddlebrief.ball.settings import BallTrackSettings

__all__ = ["Joint", "find_joints", "interval_s", "meet", "merge_through_gaps"]

_NEAR = 16.0
_VAGUE_WIDTHS = 0.04
_GAP_COST_PER_S = 20.0
_OVERLAP_FRAMES, _OVERLAP_S = 1.5, 0.15
_LEAST_EDGE = 4
_UNBENT = 12.0
_LONG, _SHORT_GAP_S = 8, 0.1


@dataclass(frozen=True, kw_only=True)
class Joint:
    """Where two arcs meet.

    ``before`` and ``after`` number the arcs; ``time_s_sd`` follows from how fast the two paths part
    and how surely their places are known; ``turn`` tells how surely the path turns there
    (`turn_of`); ``cost`` the squared distance of the two paths
    over its variance, plus a price on the time in between, ``gap_s``.
    """

    before: int
    after: int
    time_s: float
    time_s_sd: float
    px: np.ndarray
    velocity_before: np.ndarray
    velocity_after: np.ndarray
    turn: float
    cost: float
    gap_s: float


def find_joints(
    arcs: list[np.ndarray], candidates: Candidates, *, width_px: float, settings: BallTrackSettings
) -> list[Joint]:
    """The joints of arcs, at most one before and one after each arc, in order of time.

    Both arcs are continued by their edges' curves over at most ``settings.join_s``; they meet
    where their distance is least against its uncertainty. An arc that grew beyond a bounce
    overlaps the next one; what lies beyond that one's start is then not counted as its own.
    """
    interval = interval_s(candidates)
    starts = np.array([candidates.time_s[a[0]] for a in arcs])
    found = []
    for i, arc in enumerate(arcs):
        end = candidates.time_s[arc[-1]]
        overlap = max(_OVERLAP_FRAMES * interval, _OVERLAP_S)
        low, high = end - overlap, end + settings.join_s
        for j in np.flatnonzero((starts >= low) & (starts <= high)):
            if j != i and candidates.time_s[arcs[j][-1]] > end:
                joint = meet(arcs[i], arcs[j], candidates, width_px, numbers=(i, int(j)))
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


def interval_s(candidates: Candidates) -> float:
    """Typical time between two frames that were looked at; 1 for fewer than two."""
    times = candidates.frame_time_s
    return float(np.median(np.diff(times))) if len(times) > 1 else 1.0


def _edge_curve(rows: np.ndarray, candidates: Candidates, width_px: float, *, last: bool) -> Curve:
    """The curve of an arc's last or first candidates, taken around its end."""
    near = edge_rows(rows, candidates.time_s, last=last)
    return fit_curve(
        candidates.time_s[near],
        candidates.px[near],
        candidates.sd_px[near],
        width_px=width_px,
        anchor_s=float(candidates.time_s[near[-1] if last else near[0]]),
    )


def meet(
    arc: np.ndarray,
    following: np.ndarray,
    candidates: Candidates,
    width_px: float,
    *,
    numbers: tuple[int, int],
) -> Joint | None:
    """Where an arc and a following one meet; None where they do not. ``numbers`` are theirs."""
    own = arc[candidates.time_s[arc] < candidates.time_s[following[0]]]
    if len(own) < _LEAST_EDGE:
        return None
    before = _edge_curve(own, candidates, width_px, last=True)
    after = _edge_curve(following, candidates, width_px, last=False)
    margin = _OVERLAP_FRAMES * interval_s(candidates)
    ends = sorted((before.anchor_s, after.anchor_s))
    times = np.linspace(ends[0] - margin, ends[1] + margin, 81)
    sd = np.hypot(before.sd_at(times), after.sd_at(times))
    off = np.hypot(*(before.at(times) - after.at(times)).T) / np.hypot(sd, 1.0)
    off[sd > _VAGUE_WIDTHS * width_px] = np.inf
    best = int(np.argmin(off))
    if off[best] ** 2 > _NEAR:
        return None
    time = float(times[best])
    weight = np.array([after.sd_at(time) ** 2, before.sd_at(time) ** 2])
    places = np.stack([before.at(time), after.at(time)])
    velocities = before.velocity_at(time), after.velocity_at(time)
    parting = float(np.hypot(*(velocities[1] - velocities[0])))
    return Joint(
        before=numbers[0],
        after=numbers[1],
        time_s=time,
        time_s_sd=float(sd[best]) / max(parting, 1e-9),
        px=weight @ places / weight.sum(),
        velocity_before=velocities[0],
        velocity_after=velocities[1],
        turn=turn_of(own, following, candidates, at_s=time),
        gap_s=max(0.0, ends[1] - ends[0]),
        cost=float(off[best] ** 2 + _GAP_COST_PER_S * max(0.0, ends[1] - ends[0])),
    )


def merge_through_gaps(
    arcs: list[np.ndarray],
    candidates: Candidates,
    *,
    width_px: float,
    settings: BallTrackSettings,
    may_be_one: Callable[[np.ndarray], bool],
) -> list[np.ndarray]:
    """Arcs with those put together that go on unbent after a gap.

    The edges must meet, the path must not turn there, and ``may_be_one`` must allow the rows of
    both as one flight: a bounce during a gap hardly turns a path that is seen from far.
    """
    arcs, parted = list(arcs), set()
    while True:
        joints = find_joints(arcs, candidates, width_px=width_px, settings=settings)
        pairs = [j for j in joints if _is_sure(j, arcs) and j.turn < _UNBENT]
        pair = next((j for j in pairs if _ends(j, arcs) not in parted), None)
        if pair is None:
            return arcs
        merged = np.sort(np.concatenate([arcs[pair.before], arcs[pair.after]]))
        if not may_be_one(merged):
            parted.add(_ends(pair, arcs))
            continue
        arcs = [a for k, a in enumerate(arcs) if k not in (pair.before, pair.after)]
        arcs = sorted([*arcs, merged], key=lambda a: a[0])


def _ends(joint: Joint, arcs: list[np.ndarray]) -> tuple[int, int]:
    """The rows between which a joint lies: they stay when arcs are numbered anew."""
    return int(arcs[joint.before][-1]), int(arcs[joint.after][0])


def _is_sure(joint: Joint, arcs: list[np.ndarray]) -> bool:
    """Whether the arcs are long and near enough to tell that nothing happened between them."""
    long = min(len(arcs[joint.before]), len(arcs[joint.after])) >= _LONG
    return long and joint.cost < _UNBENT and joint.gap_s < _SHORT_GAP_S

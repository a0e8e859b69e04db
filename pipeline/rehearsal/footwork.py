"""Feet that stand, step, pivot and rise on their balls, in the figure's frame.

A foot rests where it was put until its next step; steps are minimum-jerk moves with a smooth
lift, so that feet are twice continuously differentiable and never slide.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from paddlebrief.rehearsal.curves import ease
from paddlebrief.rehearsal.figure import FootState
from paddlebrief.rehearsal.swings import Shape

__all__ = ["SIDES", "FootTrack", "HeelLift", "Placement", "Step", "ready_stance", "stroke_stance"]

SIDES = ("right", "left")
_STEP_S = 0.26
_SHUFFLE_M = 0.45
_STRIDE_M = 0.46
_WALK_STEP_S = 0.34


@dataclass(frozen=True)
class Placement:
    """Where a foot stands: ball of the foot on the ground and the way it points."""

    x_m: float
    y_m: float
    yaw_rad: float


@dataclass(frozen=True)
class Step:
    """A move of one foot to a placement; without lift and travel it is a pivot."""

    foot: str
    start_s: float
    end_s: float
    to: Placement
    lift_m: float = 0.06


@dataclass(frozen=True)
class HeelLift:
    """A heel that rises over ``rise_s`` (start, end) and comes down over ``fall_s``."""

    foot: str
    rise_s: tuple[float, float]
    fall_s: tuple[float, float]
    angle_rad: float


class FootTrack:
    """One foot over the whole session.

    Parameters
    ----------
    start
        Placement before the first step.
    steps, lifts
        Those of this foot, in order of time, not overlapping.
    """

    def __init__(
        self, start: Placement, steps: Sequence[Step], lifts: Sequence[HeelLift] = ()
    ) -> None:
        for before, after in pairwise(steps):
            if after.start_s < before.end_s - 1e-9:
                raise ValueError(f"steps overlap at {after.start_s:.2f} s")
        self.steps = tuple(steps)
        self.lifts = tuple(lifts)
        places = [start, *(s.to for s in steps)]
        self._places = np.array([[p.x_m, p.y_m, p.yaw_rad] for p in places])
        self._starts = np.array([s.start_s for s in steps])

    def __call__(self, time_s: np.ndarray) -> FootState:
        """The foot at (T,) times."""
        t = np.asarray(time_s, dtype=float)
        place = np.broadcast_to(self._places[0], (len(t), 3)).copy()
        height, pitch = np.zeros(len(t)), np.zeros(len(t))
        if self.steps:
            index = np.searchsorted(self._starts, t, side="right") - 1
            at = np.maximum(index, 0)
            ends, lifts = (
                np.array([getattr(s, n) for s in self.steps]) for n in ("end_s", "lift_m")
            )
            share = np.clip((t - self._starts[at]) / (ends[at] - self._starts[at]), 0, 1)
            share = np.where(index < 0, 0.0, share)
            place = self._places[at] + ease(share)[:, None] * (
                self._places[at + 1] - self._places[at]
            )
            bump = 64 * share**3 * (1 - share) ** 3
            height = lifts[at] * bump
            pitch = 4.0 * height * (1 - share)
        for lift in self.lifts:
            up = ease((t - lift.rise_s[0]) / (lift.rise_s[1] - lift.rise_s[0]))
            down = ease((t - lift.fall_s[0]) / (lift.fall_s[1] - lift.fall_s[0]))
            pitch = pitch + lift.angle_rad * (up - down)
        ball = np.stack([place[:, 0], place[:, 1], height], axis=-1)
        return FootState(ball, place[:, 2], pitch)


def ready_stance(base_m: np.ndarray, scale: float, facing_rad: float = 0.0) -> dict[str, Placement]:
    """Both feet in the ready position about (2,) ``base_m``, facing ``facing_rad`` from +y."""
    cos, sin = np.cos(facing_rad), np.sin(facing_rad)
    places = {}
    for foot, sign in zip(SIDES, (1, -1), strict=True):
        across = sign * 0.23 * scale
        places[foot] = Placement(
            float(base_m[0] + across * cos),
            float(base_m[1] + across * sin),
            float(facing_rad - sign * np.radians(12)),
        )
    return places


def stroke_stance(
    base_m: np.ndarray, shape: Shape, *, side: int, scale: float
) -> tuple[dict[str, Placement], str]:
    """Feet at the stroke, and which of them is the rear one."""
    rear = "right" if side > 0 else "left"
    front = "left" if side > 0 else "right"
    places = {}
    for foot, (x, y, yaw_deg) in zip((rear, front), shape.stance, strict=True):
        x_m, y_m = base_m[0] + scale * x, base_m[1] + scale * y
        places[foot] = Placement(float(x_m), float(y_m), float(np.radians(yaw_deg)))
    return places, rear


def travel_steps(
    start: dict[str, Placement], goal: dict[str, Placement], *, start_s: float, end_s: float
) -> list[Step]:
    """Steps that carry both feet from one stance to another in the time there is.

    Short ways are shuffled, the leading foot first; ways of more than a stride are walked, foot
    after foot.

    Returns
    -------
    list of Step
        In order of time; empty when the stances agree.
    """
    shift = np.mean(
        [[goal[f].x_m - start[f].x_m, goal[f].y_m - start[f].y_m] for f in SIDES], axis=0
    )
    way = float(np.hypot(*shift))
    turning = max(abs(goal[f].yaw_rad - start[f].yaw_rad) for f in SIDES)
    if way < 0.02 and turning < 0.05:
        return []
    lead = "right" if shift[0] >= 0 else "left"
    trail = "left" if lead == "right" else "right"
    walked = abs(shift[1]) > 0.7 or way > 3 * _SHUFFLE_M
    cycles = max(1, int(np.ceil(way / (2 * _STRIDE_M if walked else _SHUFFLE_M))))
    shares = _shares(lead, trail, cycles, walked)
    slot = (end_s - start_s) / len(shares)
    length = min(slot * 0.94, 0.42 if walked else _STEP_S + 0.06)
    steps = []
    for k, (foot, share) in enumerate(shares):
        begin = start_s + k * slot
        to = _part_way(start[foot], goal[foot], share)
        lift = 0.05 if walked else 0.035
        steps.append(Step(foot, begin, begin + length, to, lift))
    return steps


def steps_needed_s(way_m: float) -> float:
    """Time a shuffle or walk over a distance takes at an easy pace."""
    walked = way_m > 0.7
    cycles = max(1, int(np.ceil(way_m / (2 * _STRIDE_M if walked else _SHUFFLE_M))))
    return (2 * cycles + walked) * (_WALK_STEP_S if walked else _STEP_S + 0.04)


def _shares(lead: str, trail: str, cycles: int, walked: bool) -> list[tuple[str, float]]:
    if not walked:
        pairs = [((lead, (k + 1) / cycles), (trail, (k + 1) / cycles)) for k in range(cycles)]
        return [one for pair in pairs for one in pair]
    # Walking starts and ends with half a stride of the leading foot.
    walk = [(lead, 0.5 / cycles)]
    for k in range(cycles):
        walk.append((trail, (k + 1) / cycles))
        walk.append((lead, min((k + 1.5) / cycles, 1.0)))
    return walk


def _part_way(start: Placement, goal: Placement, share: float) -> Placement:
    return Placement(
        start.x_m + share * (goal.x_m - start.x_m),
        start.y_m + share * (goal.y_m - start.y_m),
        start.yaw_rad + share * (goal.yaw_rad - start.yaw_rad),
    )

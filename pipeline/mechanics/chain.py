"""The chain: when and how fast hips, shoulders, upper arm and forearm turn fastest.

Published peaks of pelvis and trunk lie 18 ms apart (Landlinger et al. 2010, JSSM 9:643–651),
about one frame at 60 frames a second. So each time carries its uncertainty, and which of two
peaks came first is stated only where their difference is beyond twice its own.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np

from paddlebrief.mechanics.body_view import BodyView, stated
from paddlebrief.records import FrameOfReference, Measure

__all__ = ["CHAIN_MEASURES", "SEGMENTS", "peak_gap", "peak_speed", "peak_time"]

SEGMENTS = ("hips", "shoulders", "upper_arm", "forearm")
"""From the ground up."""

WIDEST_TIME_SD_S = 0.06
WIDEST_SPEED_SHARE = 0.3

_BEFORE_S = _AFTER_S = 0.05  # of forward swing and contact within which peaks are looked for
_DRAWS = 200
_ALIKE_S = 0.04  # over which errors of speeds look alike
_RESOLVED = 2.0
_GRID_S = 0.004
TIME, GRAVITY = FrameOfReference.TIME, FrameOfReference.GRAVITY


@dataclass(frozen=True)
class _Peak:
    """Time from contact and speed of a peak, with their standard uncertainties."""

    time_s: float
    time_sd_s: float
    dps: float
    dps_sd: float


def peak_time(view: BodyView, segment: str) -> Measure:
    """Time of a segment's greatest turning speed, seconds from contact, negative before it."""
    name = f"{segment}_peak_s"
    found = _peak(view, segment)
    if isinstance(found, str):
        return Measure.missing(name, "s", TIME, found)
    if found.time_sd_s > WIDEST_TIME_SD_S:
        return Measure.missing(name, "s", TIME, "it turns too evenly for one moment to stand out")
    return Measure(name=name, value=found.time_s, sd=found.time_sd_s, unit="s", frame=TIME)


def peak_speed(view: BodyView, segment: str) -> Measure:
    """Greatest turning speed of a segment in the forward swing, degrees a second.

    Of hips and shoulders about the vertical, back towards the net; of an arm's part in space.
    """
    name = f"{segment}_peak_dps"
    found = _peak(view, segment)
    if isinstance(found, str):
        return Measure.missing(name, "°/s", GRAVITY, found)
    return stated(
        name, found.dps, found.dps_sd, unit="°/s", frame=GRAVITY,
        widest=max(WIDEST_SPEED_SHARE * abs(found.dps), 40.0),
    )  # fmt: skip


def peak_gap(view: BodyView, earlier: str, later: str) -> Measure:
    """How much later one segment peaks than another, seconds; none where frames cannot tell."""
    name = f"{earlier}_to_{later}_s"
    first, second = _peak(view, earlier), _peak(view, later)
    for found in (first, second):
        if isinstance(found, str):
            return Measure.missing(name, "s", TIME, found)
    gap = second.time_s - first.time_s
    # The contact's own uncertainty is in both times and drops out.
    ends = [max(p.time_sd_s**2 - view.contact_sd_s**2, 0.0) for p in (first, second)]
    sd = float(np.sqrt(sum(ends)))
    if abs(gap) < _RESOLVED * sd:
        rate = 1 / view.frame_interval_s
        return Measure.missing(
            name, "s", TIME, f"too close together to tell apart at {rate:.0f} frames a second"
        )
    return Measure(name=name, value=gap, sd=sd, unit="s", frame=TIME)


def _peak(view: BodyView, segment: str) -> _Peak | str:
    """The peak, or why there is none."""
    if view.without_turns is not None:
        return view.without_turns
    low, high = view.forward_s - _BEFORE_S, view.contact_s + _AFTER_S
    found = _speed(view, segment)
    if found is None:
        return "the player's size could not be told from the picture"
    time_s, speed, sd = found
    if time_s[0] > low or time_s[-1] < high or not np.isfinite(speed).any():
        return "the swing is not wholly in the recording"
    grid = np.arange(low, high, _GRID_S)
    curve = np.interp(grid, time_s, speed)
    doubt = np.interp(grid, time_s, sd)
    gap = (grid[:, None] - grid) / _ALIKE_S
    root = np.linalg.cholesky(np.exp(-0.5 * gap**2) + 1e-6 * np.eye(len(grid)))
    noise = np.random.default_rng(1).standard_normal((_DRAWS, len(grid))) @ root.T
    drawn = curve + doubt * noise
    at, others = grid[np.argmax(curve)], grid[np.argmax(drawn, axis=1)]
    timing = np.mean((others - at) ** 2) + view.frame_interval_s**2 / 12 + view.contact_sd_s**2
    tops = drawn.max(axis=1)
    top = float(curve.max())
    return _Peak(
        time_s=float(at - view.contact_s),
        time_sd_s=float(np.sqrt(timing)),
        dps=float(np.degrees(top - (tops.mean() - top))),
        dps_sd=float(np.degrees(np.std(tops))),
    )


def _speed(view: BodyView, segment: str) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Times, turning speed and its standard uncertainty, radians a second."""
    turns = view.turns
    if segment in ("hips", "shoulders"):
        rate, var = turns.hip_rate_radps, turns.hip_rate_sd_radps**2
        if segment == "shoulders":
            rate = rate + turns.separation_rate_radps
            var = var + turns.separation_rate_sd_radps**2
        return turns.time_s, rate * view.hitting_side, np.sqrt(var)
    if view.path is None or len(view.path.time_s) < 5:
        return None
    hand = view.stroke.hand.value
    ends = {"upper_arm": (f"{hand}_shoulder", "elbow"), "forearm": ("elbow", "wrist")}[segment]
    near, far = (view.path.joint(end) for end in ends)
    bone = far - near
    way = bone / np.linalg.norm(bone, axis=1, keepdims=True)
    time_s = view.path.time_s
    rate = np.linalg.norm(np.gradient(way, time_s, axis=0), axis=1)
    # A direction of n frames' steadiness, read off two frames on either side.
    length = view.path.lengths_m[segment.replace("_", " ")]
    sd = np.array([_across_sd(view, ends, t) for t in time_s]) / length
    return time_s, rate, sd / np.maximum(np.gradient(time_s) * 4, _ALIKE_S)


def _across_sd(view: BodyView, ends: tuple[str, str], time_s: float) -> float:
    """Standard uncertainty of a bone's far end across the bone, metres."""
    bone, cover = view.path.at({ends[1]: 1.0, ends[0]: -1.0}, time_s)
    way = bone / np.linalg.norm(bone)
    return float(np.sqrt(max(np.trace(cover) - way @ cover @ way, 0.0) / 2))


CHAIN_MEASURES: tuple[Callable[[BodyView], Measure], ...] = (
    *(partial(peak_time, segment=s) for s in SEGMENTS),
    *(partial(peak_speed, segment=s) for s in SEGMENTS),
    *(partial(peak_gap, earlier=a, later=b) for a, b in pairwise(SEGMENTS)),
)

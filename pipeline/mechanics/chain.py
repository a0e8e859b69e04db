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
from paddlebrief.smoothing import smooth_paths
from paddlebrief.turn.net import SEGMENTS as SEGMENTS_READ

__all__ = ["CHAIN_MEASURES", "SEGMENTS", "peak_gap", "peak_speed", "peak_time"]

SEGMENTS = ("hips", "shoulders", "upper_arm", "forearm")
"""From the ground up."""

ARM = ("upper_arm", "forearm")

WIDEST_TIME_SD_S = 0.06
WIDEST_SPEED_SHARE = 0.3

_SLOWEST_S = 1 / 45  # between frames, for an arm's peak to be timed at all
_SLOWEST_FOR_SPEED_S = 1 / 100  # at 60 frames a second rendered arms came out a quarter too slow
_ARM_TIME_SD_S, _ARM_SPEED_SD = 0.025, 0.25
"""What remains of errors in an arm's peak at 60 frames a second: measured on rendered strokes."""
_CUTOFF_HZ = 8.0
_RATE_SHARE = 0.5

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
    if segment in ARM and view.frame_interval_s > _SLOWEST_FOR_SPEED_S:
        return Measure.missing(name, "°/s", GRAVITY, _too_slow(view))
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
    if segment in ARM and view.frame_interval_s > _SLOWEST_S:
        return _too_slow(view)
    time_s, speed, sd = _speed(view, segment)
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
    # Noise lifts the greatest value and smoothing lowers it; on rendered strokes they cancel.
    dps, own = float(np.degrees(curve.max())), float(np.degrees(np.std(tops)))
    return _Peak(
        time_s=float(at - view.contact_s),
        time_sd_s=float(np.sqrt(timing + (_ARM_TIME_SD_S**2 if segment in ARM else 0.0))),
        dps=dps,
        dps_sd=float(np.hypot(own, _ARM_SPEED_SD * dps)) if segment in ARM else own,
    )


def _too_slow(view: BodyView) -> str:
    rate = 1 / view.frame_interval_s
    return f"at {rate:.0f} frames a second the arm moves too far between two frames"


def _speed(view: BodyView, segment: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, turning speed and its standard uncertainty, radians a second."""
    turns = view.turns
    if segment in ("hips", "shoulders"):
        rate, var = turns.hip_rate_radps, turns.hip_rate_sd_radps**2
        if segment == "shoulders":
            rate = rate + turns.separation_rate_radps
            var = var + turns.separation_rate_sd_radps**2
        return turns.time_s, rate * view.hitting_side, np.sqrt(var)
    part = SEGMENTS_READ.index(f"{view.stroke.hand.value} {segment.replace('_', ' ')}")
    # Smoothed across the contact: the ball is too light to change how an arm turns.
    way = smooth_paths(turns.direction[:, part], turns.time_s, cutoff_hz=_CUTOFF_HZ)
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    rate = np.linalg.norm(np.gradient(way, turns.time_s, axis=0), axis=1)
    return turns.time_s, rate, _RATE_SHARE * turns.direction_sd_rad[:, part] / _ALIKE_S


CHAIN_MEASURES: tuple[Callable[[BodyView], Measure], ...] = (
    *(partial(peak_time, segment=s) for s in SEGMENTS),
    *(partial(peak_speed, segment=s) for s in SEGMENTS),
    *(partial(peak_gap, earlier=a, later=b) for a, b in pairwise(SEGMENTS)),
)

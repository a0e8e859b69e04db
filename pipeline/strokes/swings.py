"""Swings: bursts of hand speed in which the trunk takes part, and their phases."""

from dataclasses import dataclass

import numpy as np
from scipy.signal import find_peaks

from paddlebrief.body import body_height_px, hand_landmark, hip_centre_px
from paddlebrief.records import Handedness, Track
from paddlebrief.strokes.settings import StrokeSettings

__all__ = ["HandMotion", "Swing", "find_swings", "hand_motion", "peak_speed_bhps", "phases"]


FORWARD_S = 0.33
FORWARD_SD_S = 0.25


@dataclass(frozen=True, kw_only=True)
class HandMotion:
    """One hand's motion against the hips, in body heights and seconds on court.

    Attributes
    ----------
    hand
        Which hand.
    time_s
        (n,) seconds on court since the start of the recording.
    place_bh
        (n, 2) wrist against the hip centre, x right and y UP in the picture, body heights.
    speed_bhps
        (n,) its speed, body heights a second; NaN where the wrist is missing.
    shoulder_span_bh
        (n,) horizontal distance from the left to the right shoulder in the picture.
    height_px
        The body height that scales them.
    """

    hand: Handedness
    time_s: np.ndarray
    place_bh: np.ndarray
    speed_bhps: np.ndarray
    shoulder_span_bh: np.ndarray
    height_px: float


@dataclass(frozen=True, kw_only=True)
class Swing:
    """A swing of one hand: its middle, how long the burst lasts and how much of a swing it is.

    ``contact_s`` is the speed-weighted middle of the burst in seconds on court, ``spread_s`` the
    weighted standard deviation around it. ``strength`` is peak speed × path × share of the trunk
    (see ``find_swings``). ``guessed`` marks a swing that rests on places of the hand which the
    network guesses while it is hidden.
    """

    hand: Handedness
    contact_s: float
    spread_s: float
    peak_bhps: float
    path_bh: float
    trunk_bh: float
    strength: float
    guessed: bool = False


def hand_motion(track: Track, hand: Handedness, *, slow_factor: float) -> HandMotion | None:
    """Motion of one hand of a smoothed track; None when the body's size is unknown."""
    height = body_height_px(track)
    if not np.isfinite(height) or height <= 0 or len(track.time_s) < 3:
        return None
    wrist = track.landmarks_px[:, hand_landmark(hand, "wrist")]
    place = (wrist - hip_centre_px(track)) / height * [1, -1]
    time = track.time_s / slow_factor
    velocity = np.gradient(place, time, axis=0)
    span = track.point("right_shoulder")[:, 0] - track.point("left_shoulder")[:, 0]
    return HandMotion(
        hand=hand,
        time_s=time,
        place_bh=place,
        speed_bhps=np.hypot(*velocity.T),
        shoulder_span_bh=span / height,
        height_px=height,
    )


def find_swings(motion: HandMotion, settings: StrokeSettings) -> list[Swing]:
    """Swings of one hand in order of time; empty when there is none.

    A swing is a peak of hand speed whose burst (``settings.burst_s`` to either side) has the
    least speed, path and trunk turn of the settings. Strength multiplies peak speed, path and the
    change of the shoulders' width in the picture over 0.25 body heights (a quarter turn of
    shoulders 0.25 body heights wide: biacromial share, Drillis & Contini 1966, from memory).
    """
    speed = np.nan_to_num(motion.speed_bhps, nan=0.0)
    interval = float(np.median(np.diff(motion.time_s)))
    apart = max(1, round(settings.min_apart_s / interval))
    peaks, _ = find_peaks(speed, height=settings.min_speed_bhps, distance=apart)
    swings = [_swing(motion, speed, int(p), settings) for p in peaks]
    return [s for s in swings if s is not None]


def _swing(
    motion: HandMotion, speed: np.ndarray, peak: int, settings: StrokeSettings
) -> Swing | None:
    time = motion.time_s
    burst = np.abs(time - time[peak]) <= settings.burst_s
    known = burst & np.isfinite(motion.speed_bhps)
    if known.sum() < settings.min_burst_frames or np.diff(time[known]).max() > settings.max_gap_s:
        return None
    path = float(np.trapezoid(speed[known], time[known]))
    span = motion.shoulder_span_bh[known]
    trunk = float(np.nanmax(span) - np.nanmin(span))
    weight = np.where(speed[known] > speed[peak] / 2, speed[known] ** 2, 0.0)
    middle = float(np.average(time[known], weights=weight))
    spread = float(np.sqrt(np.average((time[known] - middle) ** 2, weights=weight)))
    if path < settings.min_path_bh:
        return None
    return Swing(
        hand=motion.hand,
        contact_s=middle,
        spread_s=spread,
        peak_bhps=float(speed[peak]),
        path_bh=path,
        trunk_bh=trunk,
        strength=float(speed[peak]) * path * trunk / 0.25,
    )


def peak_speed_bhps(motion: HandMotion, contact_s: float, settings: StrokeSettings) -> float:
    """The hand's greatest speed within the burst around a contact (seconds on court), body
    heights a second; 0 where the hand is never seen there."""
    burst = np.abs(motion.time_s - contact_s) <= settings.burst_s
    return float(np.nan_to_num(motion.speed_bhps[burst], nan=0.0).max(initial=0.0))


def phases(
    motion: HandMotion, contact_s: float, settings: StrokeSettings
) -> tuple[float, float, float]:
    """Load, start of the forward swing and finish around a contact, seconds on court.

    Load is the moment before contact at which the hand is slowest against its peak, weighed with
    how unusual that moment would be: forward swings last about ``FORWARD_S`` (common practice, no
    source). It lies at most ``settings.backswing_s`` before contact. The forward swing starts at
    the last instant after it when the hand is slower than a fifth of its peak, or at the load.
    The finish is the first instant after contact at which the hand is slower than a fifth of its
    peak, or the end of ``settings.finish_s``.
    """
    time, speed = motion.time_s, np.nan_to_num(motion.speed_bhps, nan=0.0)
    middle = int(np.argmin(np.abs(time - contact_s)))
    first = int(np.searchsorted(time, contact_s - settings.backswing_s))
    last = max(int(np.searchsorted(time, contact_s + settings.finish_s, side="right")) - 1, middle)
    around = slice(max(middle - 1, 0), middle + 2)
    peak = max(peak_speed_bhps(motion, contact_s, settings), 1e-9)
    before = slice(first, middle + 1)
    known = np.isfinite(motion.speed_bhps[before])
    slowness = np.where(known, speed[before] / peak, 1.0)
    unusual = ((contact_s - time[before] - FORWARD_S) / FORWARD_SD_S) ** 2
    load = first + int(np.argmin(slowness + unusual))
    slow = settings.still_share * speed[around].max()
    still = np.flatnonzero(speed[load : middle + 1] < slow)
    forward = load + int(still[-1]) if len(still) else load
    after = slice(middle, last + 1)
    ended = np.flatnonzero((speed[after] < slow) & np.isfinite(motion.speed_bhps[after]))
    finish = middle + int(ended[0]) if len(ended) else last
    return (
        min(float(time[load]), contact_s),
        min(float(time[forward]), contact_s),
        max(float(time[finish]), contact_s),
    )

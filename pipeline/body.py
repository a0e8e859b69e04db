"""Sizes and lines of a body in the picture, from its landmarks."""

import numpy as np

from paddlebrief.records import LANDMARKS, Handedness, Track

__all__ = [
    "TRUNK_AND_LEG_SHARE",
    "UPPER_ARM_SHARE",
    "body_height_px",
    "body_heights_px",
    "hand_landmark",
    "hip_centre_px",
    "line_angle_deg",
    "line_angle_sd_deg",
]

TRUNK_AND_LEG_SHARE = 0.779
"""Shoulder to ankle along trunk, thigh and shank, in body heights: 0.818 − 0.039 (segment
lengths after Drillis & Contini 1966 as given by Winter, Biomechanics and Motor Control of Human
Movement; from memory)."""

UPPER_ARM_SHARE = 0.186
"""Shoulder to elbow in body heights (same source, from memory)."""

_CHAIN = (("shoulder", "hip"), ("hip", "knee"), ("knee", "ankle"))
_LONG = 80  # percentile that stands for a segment seen square on


def hand_landmark(hand: Handedness, part: str) -> int:
    """Number of a landmark on the hitting side, such as ``part="wrist"``."""
    return LANDMARKS.index(f"{hand.value}_{part}")


def hip_centre_px(track: Track) -> np.ndarray:
    """(n, 2) middle between the hips, pixels; NaN where either is missing."""
    return (track.point("left_hip") + track.point("right_hip")) / 2


def body_heights_px(track: Track) -> np.ndarray:
    """(n,) height of the body in each frame by itself, pixels: what `body_height_px` sums, as long
    as it looks there, so too little where the body is bent; NaN where a joint is missing."""
    total = np.zeros(len(track.time_s))
    for upper, lower in _CHAIN:
        sides = [
            np.linalg.norm(track.point(f"{side}_{upper}") - track.point(f"{side}_{lower}"), axis=1)
            for side in ("left", "right")
        ]
        total += np.mean(sides, axis=0)
    return total / TRUNK_AND_LEG_SHARE


def body_height_px(track: Track) -> float:
    """Height of the standing body in pixels, or NaN when legs or trunk are never seen.

    Segment lengths are taken at their 80th percentile over the track, because a segment that
    points at the camera looks short, and summed from shoulder to ankle.
    """
    total = 0.0
    for upper, lower in _CHAIN:
        sides = [
            _long(track.point(f"{side}_{upper}") - track.point(f"{side}_{lower}"))
            for side in ("left", "right")
        ]
        total += float(np.mean(sides))
    return total / TRUNK_AND_LEG_SHARE


def _long(segments_px: np.ndarray) -> float:
    lengths = np.linalg.norm(segments_px, axis=1)
    lengths = lengths[np.isfinite(lengths)]
    return float(np.percentile(lengths, _LONG)) if len(lengths) else np.nan


def line_angle_deg(a_px: np.ndarray, b_px: np.ndarray) -> float:
    """Tilt of the line through two picture points against the horizontal, degrees.

    Positive when the right-hand end in the picture is the higher one; in (−90, 90].
    """
    dx, dy = np.asarray(b_px, float) - np.asarray(a_px, float)
    angle = np.degrees(np.arctan2(-dy, dx))
    return float(90 - (90 - angle) % 180)


def line_angle_sd_deg(a_px: np.ndarray, b_px: np.ndarray, sd_px: float) -> float:
    """Standard uncertainty of a line's angle, degrees: √2·s over its length.

    ``sd_px`` is each end's standard uncertainty across the line. The first-order rule holds
    while s is small against the length.
    """
    length = float(np.hypot(*(np.asarray(b_px, float) - a_px)))
    return float(np.degrees(np.sqrt(2) * sd_px / length)) if length > 0 else np.inf

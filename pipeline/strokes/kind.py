"""Drive, slice or other: the first model, from the hand's path alone.

Heights are used rather than directions, because a height against the body looks the same from
behind, from the side and from a corner, as long as the camera is about level.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from paddlebrief.body import body_height_px, hand_landmark
from paddlebrief.records import Handedness, Kind, Track

__all__ = ["HandPathKind", "KindModel", "PathFeatures", "decide_kind", "path_features"]


@dataclass(frozen=True, kw_only=True)
class PathFeatures:
    """The hand's path around contact, body heights and body heights a second.

    Attributes
    ----------
    rise_before_bh, rise_after_bh
        Height gained from load to contact, and from contact to 0.15 s later.
    contact_bh
        Height of the wrist at contact over the middle of the shoulders.
    speed_bhps
        Hand speed at its peak.
    sd_bh
        Standard uncertainty of each height.
    """

    rise_before_bh: float
    rise_after_bh: float
    contact_bh: float
    speed_bhps: float
    sd_bh: float


class KindModel(Protocol):
    """What a model of the kind of stroke must offer."""

    def probabilities(self, features: PathFeatures) -> Mapping[Kind, float]:
        """Probabilities of drive, slice and other, summing to 1."""
        ...


def path_features(
    track: Track,
    hand: Handedness,
    *,
    load_s: float,
    contact_s: float,
    after_s: float,
    speed_bhps: float,
    placement_error: float,
) -> PathFeatures:
    """Features of one stroke from a smoothed track; NaN where the wrist is missing."""
    height = body_height_px(track)
    wrist = -track.landmarks_px[:, hand_landmark(hand, "wrist"), 1] / height
    shoulders = -(track.point("left_shoulder") + track.point("right_shoulder"))[:, 1] / 2 / height

    def at(values: np.ndarray, time_s: float) -> float:
        known = np.isfinite(values)
        if not known.any():
            return np.nan
        return float(np.interp(time_s, track.time_s[known], values[known]))

    noise = track.noise_px[hand_landmark(hand, "wrist")] / height
    return PathFeatures(
        rise_before_bh=at(wrist, contact_s) - at(wrist, load_s),
        rise_after_bh=at(wrist, after_s) - at(wrist, contact_s),
        contact_bh=at(wrist, contact_s) - at(shoulders, contact_s),
        speed_bhps=speed_bhps,
        sd_bh=float(np.hypot(np.nan_to_num(noise), placement_error)),
    )


class HandPathKind:
    """A hand that rises through contact drives, one that falls slices; common practice, no source.

    Overhead contacts and slow hands are "other". Each decision is a smooth step whose width is the
    uncertainty of the heights plus how much players differ, so that a path near the border
    comes out unsure rather than wrong.
    """

    OVERHEAD_BH = 0.0  # wrist at shoulder height at contact: serves, overheads, high volleys
    OVERHEAD_WIDTH_BH = 0.03
    LEVEL_BH = -0.04  # drives are level to rising
    LEVEL_WIDTH_BH = 0.06
    SLOW_BHPS = 2.0  # softer hands block, dink or reset
    SLOW_WIDTH_BHPS = 0.35

    def probabilities(self, features: PathFeatures) -> Mapping[Kind, float]:
        """Probabilities of drive, slice and other; a third each where the path is unknown."""
        rise = features.rise_before_bh + features.rise_after_bh
        if not np.isfinite([rise, features.contact_bh]).all():
            return {Kind.DRIVE: 1 / 3, Kind.SLICE: 1 / 3, Kind.OTHER: 1 / 3}
        sd = features.sd_bh
        high = _step(features.contact_bh - self.OVERHEAD_BH, np.hypot(sd, self.OVERHEAD_WIDTH_BH))
        slow = _step(self.SLOW_BHPS - features.speed_bhps, self.SLOW_WIDTH_BHPS)
        rising = _step(rise - self.LEVEL_BH, np.hypot(2 * sd, self.LEVEL_WIDTH_BH))
        other = 1 - (1 - high) * (1 - slow)
        return {
            Kind.DRIVE: (1 - other) * rising,
            Kind.SLICE: (1 - other) * (1 - rising),
            Kind.OTHER: other,
        }


def _step(excess: float, width: float) -> float:
    return float(1 / (1 + np.exp(-np.clip(1.7 * excess / width, -60, 60))))


def decide_kind(probabilities: Mapping[Kind, float], *, unsure_below: float) -> Kind:
    """The likeliest kind, or unsure where it does not reach ``unsure_below``."""
    kind = max(probabilities, key=probabilities.__getitem__)
    return kind if probabilities[kind] >= unsure_below else Kind.UNSURE

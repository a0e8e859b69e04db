"""Forehand or backhand, from the body alone.

Two cues that need no camera: on which side of the trunk the hitting wrist lies at the load, and
whether the hitting shoulder moves with the hand through the forward swing (forehand: it comes
round from behind) or against it (backhand: it leads and is left behind). Common practice, no
source; the weights are set so that one clear cue decides and two that disagree leave it unsure.
"""

from dataclasses import dataclass

import numpy as np

from paddlebrief.body import body_height_px, hand_landmark
from paddlebrief.records import Handedness, Side, Track

__all__ = ["SideCues", "forehand_probability", "side_cues"]

PLACE_WEIGHT = 14.0  # logits a body height of the wrist's place beside the trunk
TURN_WEIGHT = 2.0  # logits for a shoulder that moves fully with, or against, the hand


@dataclass(frozen=True, kw_only=True)
class SideCues:
    """Wrist's place along the shoulder line at load (body heights, + hitting side) and the
    cosine-like agreement of hand and hitting shoulder in the forward swing, −1 to 1."""

    place_bh: float
    agreement: float


def side_cues(track: Track, hand: Handedness, *, load_s: float, contact_s: float) -> SideCues:
    """Cues between load and contact of a smoothed track; NaN where landmarks are missing."""
    height = body_height_px(track)
    other = Handedness.LEFT if hand is Handedness.RIGHT else Handedness.RIGHT
    wrist = track.landmarks_px[:, hand_landmark(hand, "wrist")]
    shoulder = track.landmarks_px[:, hand_landmark(hand, "shoulder")]
    far = track.landmarks_px[:, hand_landmark(other, "shoulder")]
    middle = (shoulder + far) / 2
    early = (track.time_s >= load_s - 0.1) & (track.time_s <= (load_s + contact_s) / 2)
    swing = (track.time_s >= load_s) & (track.time_s <= contact_s)
    axis = (shoulder - far)[early]
    # the sum weighs frames by the line's length: a line seen end-on says nothing
    place = np.nansum(((wrist - middle)[early] * axis).sum(axis=1))
    length = np.nansum(np.hypot(*axis.T))
    known = np.isfinite(axis).all(axis=1).any()
    return SideCues(
        place_bh=float(place / length / height) if known and length > 0 else np.nan,
        agreement=_agreement((wrist - middle)[swing], (shoulder - middle)[swing]),
    )


def _agreement(hand_px: np.ndarray, shoulder_px: np.ndarray) -> float:
    a, b = np.diff(hand_px, axis=0), np.diff(shoulder_px, axis=0)
    known = np.isfinite(a).all(axis=1) & np.isfinite(b).all(axis=1)
    if not known.any():
        return np.nan
    size = (np.hypot(*a[known].T) * np.hypot(*b[known].T)).sum()
    return float((a[known] * b[known]).sum() / size) if size > 0 else np.nan


def forehand_probability(cues: SideCues) -> float:
    """Probability of a forehand, 0 to 1; 0.5 where no cue is known."""
    logit = PLACE_WEIGHT * np.nan_to_num(cues.place_bh) + TURN_WEIGHT * np.nan_to_num(
        cues.agreement
    )
    return float(1 / (1 + np.exp(-logit)))


def decide_side(probability: float, *, unsure_below: float) -> tuple[Side, float]:
    """Side and its probability; unsure where neither reaches ``unsure_below``."""
    side = Side.FOREHAND if probability >= 0.5 else Side.BACKHAND
    sure = max(probability, 1 - probability)
    return (side, sure) if sure >= unsure_below else (Side.UNSURE, sure)

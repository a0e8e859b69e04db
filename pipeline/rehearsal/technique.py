"""The dials of a stroke, their ranges, and how a player's own technique is drawn.

Dials are wishes. Joint limits, reach and smoothness have the last word, and the truth is taken
from the body, the paddle and the ball that come out, never from here.
"""

from dataclasses import dataclass

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

__all__ = [
    "DIAL_RANGES",
    "PELVIS_PEAK_S",
    "TRUNK_PEAK_S",
    "Dials",
    "Spread",
    "default_technique",
    "draw_dials",
]

PELVIS_PEAK_S = (-0.075, 0.008)
"""Mean and SD of the hips' peak turning speed before contact (Landlinger et al. 2010)."""
TRUNK_PEAK_S = (-0.057, 0.004)
"""Mean and SD of the shoulders' peak turning speed before contact (Landlinger et al. 2010)."""

DIAL_RANGES = {
    "hip_turn_deg": (-20.0, 80.0, 3.0),
    "shoulder_turn_deg": (-20.0, 115.0, 4.0),
    "arm_share": (0.2, 1.0, 0.03),
    "elbow_height": (-0.98, 0.6, 0.04),
    "elbow_behind": (-0.7, 0.95, 0.05),
    "elbow_bend_deg": (8.0, 110.0, 4.0),
    "wrist_lag_deg": (35.0, 95.0, 4.0),
    "face_error_deg": (-25.0, 25.0, 1.3),
    "face_heading_deg": (-30.0, 30.0, 2.5),
    "turnover_deg": (-60.0, 60.0, 5.0),
    "path_angle_deg": (-50.0, 60.0, 3.0),
    "head_speed_mps": (1.0, 16.0, 0.5),
    "contact_height_m": (0.25, 2.6, 0.05),
    "contact_front_m": (-0.1, 0.8, 0.04),
    "follow_share": (0.1, 1.2, 0.07),
    "landing_depth_m": (0.2, 6.2, 0.3),
    "pelvis_peak_s": (-0.12, -0.03, 0.004),
    "trunk_peak_s": (-0.10, -0.02, 0.003),
}
"""Lowest and highest mean a joint or the court allows, and the usual SD within a player.

Within-player spreads are a guess, except that a racket's angle at contact repeats to ± 3.6° in
college players (Kwon et al. 2017), which ``face_error_deg`` stays inside.
"""


class Spread(BaseModel):
    """Mean and within-player standard deviation of a dial."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    mean: float = Field(description="Mean over a player's strokes, in the dial's unit.")
    sd: float = Field(ge=0, description="Standard deviation from stroke to stroke, same unit.")


@dataclass(frozen=True)
class Dials:
    """The dials of one stroke; angles in degrees as their names say.

    Attributes
    ----------
    hip_turn_deg, shoulder_turn_deg
        At load, from facing the net to the hitting side.
    arm_share
        Part of head speed that the trunk does not give.
    elbow_height, elbow_behind
        At load against the shoulder, upper-arm lengths, up and rearward.
    elbow_bend_deg
        Elbow flexion at contact.
    wrist_lag_deg
        Greatest angle between forearm and paddle in the forward swing.
    face_error_deg
        Face opened beyond the angle that lands the ball ``landing_depth_m`` inside.
    face_heading_deg
        Horizontal aim of the face, positive to the player's right.
    turnover_deg
        Roll of the face over ± 30 ms, closing positive.
    path_angle_deg, head_speed_mps
        Direction above the horizontal and speed of the face's centre at contact.
    contact_height_m, contact_front_m
        Ball at contact above the ground and ahead of the hips.
    follow_share
        Share of the full follow-through that is carried out.
    landing_depth_m
        Wanted bounce short of the far base line.
    pelvis_peak_s, trunk_peak_s
        Peak turning speed of hips and shoulders, before contact negative.
    """

    hip_turn_deg: float
    shoulder_turn_deg: float
    arm_share: float
    elbow_height: float
    elbow_behind: float
    elbow_bend_deg: float
    wrist_lag_deg: float
    face_error_deg: float
    face_heading_deg: float
    turnover_deg: float
    path_angle_deg: float
    head_speed_mps: float
    contact_height_m: float
    contact_front_m: float
    follow_share: float
    landing_depth_m: float
    pelvis_peak_s: float
    trunk_peak_s: float


_MEANS: dict[tuple[str, str], dict[str, float]] = {
    ("drive", "forehand"): {
        "hip_turn_deg": 42, "shoulder_turn_deg": 76, "arm_share": 0.52, "elbow_height": -0.45,
        "elbow_behind": 0.55, "elbow_bend_deg": 42, "wrist_lag_deg": 76, "turnover_deg": 18,
        "path_angle_deg": 20, "head_speed_mps": 9.8, "contact_height_m": 0.82,
        "contact_front_m": 0.34, "follow_share": 0.95, "landing_depth_m": 1.6,
    },
    ("slice", "forehand"): {
        "hip_turn_deg": 34, "shoulder_turn_deg": 62, "arm_share": 0.66, "elbow_height": -0.25,
        "elbow_behind": 0.45, "elbow_bend_deg": 38, "wrist_lag_deg": 68, "turnover_deg": -6,
        "path_angle_deg": -14, "head_speed_mps": 8.1, "contact_height_m": 0.75,
        "contact_front_m": 0.34, "follow_share": 0.75, "landing_depth_m": 2.4,
    },
    ("drive", "backhand"): {
        "hip_turn_deg": 40, "shoulder_turn_deg": 86, "arm_share": 0.62, "elbow_height": -0.62,
        "elbow_behind": 0.35, "elbow_bend_deg": 24, "wrist_lag_deg": 72, "turnover_deg": 14,
        "path_angle_deg": 18, "head_speed_mps": 9.2, "contact_height_m": 0.80,
        "contact_front_m": 0.42, "follow_share": 0.95, "landing_depth_m": 1.7,
    },
    ("slice", "backhand"): {
        "hip_turn_deg": 38, "shoulder_turn_deg": 78, "arm_share": 0.74, "elbow_height": -0.50,
        "elbow_behind": 0.40, "elbow_bend_deg": 24, "wrist_lag_deg": 70, "turnover_deg": -6,
        "path_angle_deg": -14, "head_speed_mps": 8.1, "contact_height_m": 0.78,
        "contact_front_m": 0.38, "follow_share": 0.8, "landing_depth_m": 2.4,
    },
    ("drive", "two-handed backhand"): {
        "hip_turn_deg": 46, "shoulder_turn_deg": 84, "arm_share": 0.50, "elbow_height": -0.72,
        "elbow_behind": 0.20, "elbow_bend_deg": 40, "wrist_lag_deg": 66, "turnover_deg": 14,
        "path_angle_deg": 18, "head_speed_mps": 9.4, "contact_height_m": 0.80,
        "contact_front_m": 0.34, "follow_share": 0.95, "landing_depth_m": 1.6,
    },
    ("volley", "forehand"): {
        "hip_turn_deg": 14, "shoulder_turn_deg": 30, "arm_share": 0.80, "elbow_height": -0.75,
        "elbow_behind": -0.05, "elbow_bend_deg": 48, "wrist_lag_deg": 58, "turnover_deg": 0,
        "path_angle_deg": -6, "head_speed_mps": 4.0, "contact_height_m": 1.12,
        "contact_front_m": 0.50, "follow_share": 0.5, "landing_depth_m": 2.2,
    },
    ("volley", "backhand"): {
        "hip_turn_deg": 12, "shoulder_turn_deg": 32, "arm_share": 0.85, "elbow_height": -0.75,
        "elbow_behind": -0.10, "elbow_bend_deg": 40, "wrist_lag_deg": 58, "turnover_deg": 0,
        "path_angle_deg": -6, "head_speed_mps": 4.0, "contact_height_m": 1.10,
        "contact_front_m": 0.50, "follow_share": 0.5, "landing_depth_m": 2.2,
    },
    ("dink", "forehand"): {
        "hip_turn_deg": 8, "shoulder_turn_deg": 18, "arm_share": 0.90, "elbow_height": -0.85,
        "elbow_behind": 0.05, "elbow_bend_deg": 30, "wrist_lag_deg": 56, "turnover_deg": 0,
        "path_angle_deg": 30, "head_speed_mps": 3.2, "contact_height_m": 0.42,
        "contact_front_m": 0.52, "follow_share": 0.6, "landing_depth_m": 5.2,
    },
    ("dink", "backhand"): {
        "hip_turn_deg": 8, "shoulder_turn_deg": 22, "arm_share": 0.92, "elbow_height": -0.85,
        "elbow_behind": 0.0, "elbow_bend_deg": 26, "wrist_lag_deg": 56, "turnover_deg": 0,
        "path_angle_deg": 30, "head_speed_mps": 3.2, "contact_height_m": 0.42,
        "contact_front_m": 0.52, "follow_share": 0.6, "landing_depth_m": 5.2,
    },
    ("serve", "forehand"): {
        "hip_turn_deg": 40, "shoulder_turn_deg": 68, "arm_share": 0.66, "elbow_height": -0.72,
        "elbow_behind": 0.60, "elbow_bend_deg": 26, "wrist_lag_deg": 64, "turnover_deg": 6,
        "path_angle_deg": 28, "head_speed_mps": 9.0, "contact_height_m": 0.66,
        "contact_front_m": 0.40, "follow_share": 0.95, "landing_depth_m": 1.6,
    },
    ("overhead", "forehand"): {
        "hip_turn_deg": 44, "shoulder_turn_deg": 78, "arm_share": 0.68, "elbow_height": -0.05,
        "elbow_behind": 0.60, "elbow_bend_deg": 22, "wrist_lag_deg": 74, "turnover_deg": 14,
        "path_angle_deg": -8, "head_speed_mps": 10.0, "contact_height_m": 2.10,
        "contact_front_m": 0.42, "follow_share": 0.9, "landing_depth_m": 2.2,
    },
}  # fmt: skip
_MEANS_OF_ALL = {
    "face_error_deg": 0.0,
    "face_heading_deg": 0.0,
    "pelvis_peak_s": PELVIS_PEAK_S[0],
    "trunk_peak_s": TRUNK_PEAK_S[0],
}
_BETWEEN_PLAYERS = 0.8
"""SD between players over SD within one (a guess); the peak times have their own."""


def default_technique(
    action: str, side: str, *, rng: np.random.Generator, stature_m: float = 1.75
) -> dict[str, Spread]:
    """A player's usual dials for one action and side, with natural differences between players.

    Parameters
    ----------
    action, side
        A key of `paddlebrief.rehearsal.swings.SHAPES`.
    rng
        Draws the player.
    stature_m
        Height of the player, with which the contact point scales.

    Returns
    -------
    dict
        Dial name to its mean and SD within the player.
    """
    means = _MEANS_OF_ALL | _MEANS[(action, side)]
    between = {"pelvis_peak_s": PELVIS_PEAK_S[1], "trunk_peak_s": TRUNK_PEAK_S[1]}
    technique = {}
    for dial, (low, high, within) in DIAL_RANGES.items():
        spread = between.get(dial, _BETWEEN_PLAYERS * within)
        if dial == "face_error_deg":
            spread = 0.0
        scale = stature_m / 1.75 if dial in ("contact_height_m", "contact_front_m") else 1.0
        mean = float(np.clip(scale * means[dial] + spread * rng.standard_normal(), low, high))
        technique[dial] = Spread(mean=mean, sd=within * (0.4 if action == "dink" else 1.0))
    return technique


def draw_dials(technique: dict[str, Spread], *, rng: np.random.Generator) -> Dials:
    """One stroke's dials: independent normal draws, kept inside the dials' ranges."""
    values = {}
    for dial, spread in technique.items():
        low, high, _ = DIAL_RANGES[dial]
        values[dial] = float(np.clip(rng.normal(spread.mean, spread.sd), low, high))
    return Dials(**values)

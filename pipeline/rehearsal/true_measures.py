"""True measures of a stroke, from the joints, the paddle and the ball that were rendered.

A `Trace` holds one stroke densely sampled; each measure is a function of it. All angles are in
degrees, all lengths in metres unless the name says body parts. Everything is seen from the
player: the trace is turned so that the net lies along +y and the player's right is +x.

Definitions that the table of measures leaves open:

- *Start of the forward swing*: the last moment before contact at which the hitting wrist does
  not yet move the way it goes at contact.
- *Load*: the moment of the greatest shoulder turn in the 0.8 s before that.
- *Separation at load*: the greatest separation in the same 0.8 s.
- *Finish*: the first moment after contact at which the wrist is slower than a fifth of its speed
  at contact, or slowest for the time being and slower than half of it.
- *Contact in front*: along the court, from the middle of the hip joints to the ball's centre.
- *Heading*: of the hitting face's normal, from straight along the court, positive to the
  player's right.
- *Turnover*: positive closing (palm turning down on a forehand).
- *Arm share*: 1 minus the part of head speed along its own direction that a rigid trunk would
  give, the trunk being the frame of shoulder line and the line from mid-hips to mid-shoulders.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from paddlebrief.rehearsal.ball import Flight
from paddlebrief.rehearsal.court_dimensions import BALL_RADIUS_M, COURT_LENGTH_M, net_height_m

__all__ = ["MEASURES", "OTHER_MEASURES", "Outcome", "Trace", "ball_outcome"]

BACKSWING_S = 0.8
"""Stretch before the forward swing in which load is looked for."""
_TURNOVER_HALF_S = 0.030
_STOPPED_SHARE = 0.2


@dataclass(frozen=True)
class Outcome:
    """What became of the ball; NaN where there was no such thing (net, no bounce)."""

    launch_speed_mps: float
    mean_speed_mps: float
    landing_depth_m: float
    net_clearance_m: float
    bounce_s: float
    bounce_x_m: float
    bounce_y_m: float


@dataclass(frozen=True, kw_only=True)
class Trace:
    """One stroke, densely and evenly sampled, turned to the player's view.

    Attributes
    ----------
    time_s
        (T,) with the contact exactly on a sample.
    contact
        Index of that sample.
    joints_m
        (T, 3) by name: left and right hip, shoulder, elbow, wrist.
    face_m, paddle
        (T, 3) middle of the paddle's face and (T, 3, 3) paddle axes.
    ball_m
        (3,) the ball's centre at contact.
    right_handed, forehand
        The player's hand and the stroke's side.
    outcome
        Of the ball.
    """

    time_s: np.ndarray
    contact: int
    joints_m: Mapping[str, np.ndarray]
    face_m: np.ndarray
    paddle: np.ndarray
    ball_m: np.ndarray
    right_handed: bool
    forehand: bool
    outcome: Outcome

    @property
    def hand(self) -> str:
        return "right" if self.right_handed else "left"

    @property
    def hitting_side(self) -> int:
        """1 when the ball is hit on the player's right, −1 on the left."""
        return 1 if self.right_handed == self.forehand else -1

    @property
    def contact_s(self) -> float:
        return float(self.time_s[self.contact])

    def hitting(self, joint: str) -> np.ndarray:
        """(T, 3) path of a joint of the hitting arm."""
        return self.joints_m[f"{self.hand}_{joint}"]

    def rate(self, values: np.ndarray) -> np.ndarray:
        """Time derivative along the first axis, central differences."""
        return np.gradient(values, self.time_s, axis=0)

    @cached_property
    def normal(self) -> np.ndarray:
        """(T, 3) normal of the hitting face."""
        return self.paddle[:, :, 2] * (1.0 if self.forehand else -1.0)

    @cached_property
    def wrist_mps(self) -> np.ndarray:
        return self.rate(self.hitting("wrist"))

    @cached_property
    def head_mps(self) -> np.ndarray:
        return self.rate(self.face_m)

    @cached_property
    def forward(self) -> int:
        ahead = self.wrist_mps[: self.contact] @ self.wrist_mps[self.contact]
        still = np.flatnonzero(ahead <= 0)
        return int(still[-1]) + 1 if len(still) else 0

    @cached_property
    def backswing(self) -> slice:
        start = np.searchsorted(self.time_s, self.time_s[self.forward] - BACKSWING_S)
        return slice(int(start), self.forward + 1)

    @cached_property
    def load(self) -> int:
        return self.backswing.start + int(np.argmax(self.turn_deg("shoulder")[self.backswing]))

    @cached_property
    def finish(self) -> int:
        speed = np.linalg.norm(self.wrist_mps[self.contact :], axis=-1)
        slow = speed < _STOPPED_SHARE * speed[0]
        slow[1:-1] |= (
            (speed[1:-1] <= speed[2:]) & (speed[1:-1] < speed[:-2]) & (speed[1:-1] < 0.5 * speed[0])
        )
        return self.contact + (int(np.argmax(slow)) if slow.any() else len(speed) - 1)

    def turn_deg(self, joint: str) -> np.ndarray:
        """(T,) turn of the line through both joints from facing the net to the hitting side."""
        line = self.joints_m[f"right_{joint}"] - self.joints_m[f"left_{joint}"]
        right = np.unwrap(np.arctan2(-line[:, 1], line[:, 0]))
        return np.degrees(right) * self.hitting_side

    @cached_property
    def separation_deg(self) -> np.ndarray:
        return self.turn_deg("shoulder") - self.turn_deg("hip")

    @cached_property
    def lag_deg(self) -> np.ndarray:
        """(T,) angle between the forearm's axis and the paddle's long axis."""
        forearm = self.hitting("wrist") - self.hitting("elbow")
        forearm = forearm / np.linalg.norm(forearm, axis=-1, keepdims=True)
        return np.degrees(np.arccos(np.clip(np.sum(forearm * self.paddle[:, :, 1], -1), -1, 1)))

    @cached_property
    def roll_dps(self) -> np.ndarray:
        """(T,) closing speed of the face about the paddle's long axis, degrees per second."""
        turning = self.rate(self.paddle)
        about = np.sum(turning[:, :, 2] * self.paddle[:, :, 0], -1)
        side = (1.0 if self.forehand else -1.0) * (1.0 if self.right_handed else -1.0)
        return -np.degrees(about) * side

    @cached_property
    def upper_arm_m(self) -> float:
        bone = self.hitting("elbow") - self.hitting("shoulder")
        return float(np.linalg.norm(bone[self.contact]))


def ball_outcome(flight: Flight, *, facing: int) -> Outcome:
    """What a ball does after contact, from its first bounce or the net.

    Parameters
    ----------
    flight
        Starts at contact.
    facing
        1 for a player in the camera's half, −1 beyond the net.
    """
    launch = float(np.linalg.norm(flight.velocity_mps[0]))
    first = flight.events[0] if flight.events else None
    if first is None or first.kind == "net" or first.place_m[1] * facing <= 0:
        gap = _net_gap(flight, first.time_s if first else np.inf)
        return Outcome(launch, np.nan, np.nan, gap, np.nan, np.nan, np.nan)
    span = np.linalg.norm(first.place_m - flight.position_m[0])
    return Outcome(
        launch_speed_mps=launch,
        mean_speed_mps=float(span / (first.time_s - flight.time_s[0])),
        landing_depth_m=COURT_LENGTH_M / 2 - float(first.place_m[1]) * facing,
        net_clearance_m=_net_gap(flight, first.time_s),
        bounce_s=first.time_s,
        bounce_x_m=float(first.place_m[0]),
        bounce_y_m=float(first.place_m[1]),
    )


def _net_gap(flight: Flight, until_s: float) -> float:
    """Lowest point of the ball over the net's edge as it passes; NaN when it does not pass."""
    y = flight.position_m[:, 1]
    passed = np.flatnonzero((y[:-1] * y[1:] <= 0) & (flight.time_s[:-1] <= until_s + 1e-9))
    if len(passed) == 0:
        return np.nan
    k = int(passed[0])
    share = y[k] / (y[k] - y[k + 1]) if y[k] != y[k + 1] else 0.0
    x, _, z = flight.position_m[k] + share * (flight.position_m[k + 1] - flight.position_m[k])
    return float(z - BALL_RADIUS_M - net_height_m(float(x)))


def hip_turn_deg(trace: Trace) -> float:
    return float(trace.turn_deg("hip")[trace.load])


def shoulder_turn_deg(trace: Trace) -> float:
    return float(trace.turn_deg("shoulder")[trace.load])


def separation_at_load_deg(trace: Trace) -> float:
    return float(trace.separation_deg[trace.backswing].max())


def _elbow_at_load(trace: Trace) -> np.ndarray:
    return (trace.hitting("elbow") - trace.hitting("shoulder"))[trace.load] / trace.upper_arm_m


def elbow_height(trace: Trace) -> float:
    return float(_elbow_at_load(trace)[2])


def elbow_behind(trace: Trace) -> float:
    return float(-_elbow_at_load(trace)[1])


def wrist_lag_deg(trace: Trace) -> float:
    return float(trace.lag_deg[trace.forward : trace.contact + 1].max())


def face_angle_deg(trace: Trace) -> float:
    return float(np.degrees(np.arcsin(np.clip(trace.normal[trace.contact, 2], -1, 1))))


def face_heading_deg(trace: Trace) -> float:
    x, y, _ = trace.normal[trace.contact]
    return float(np.degrees(np.arctan2(x, y)))


def turnover_deg(trace: Trace) -> float:
    near = np.abs(trace.time_s - trace.contact_s) <= _TURNOVER_HALF_S + 1e-9
    return float(np.trapezoid(trace.roll_dps[near], trace.time_s[near]))


def path_angle_deg(trace: Trace) -> float:
    velocity = trace.head_mps[trace.contact]
    return float(np.degrees(np.arctan2(velocity[2], np.hypot(*velocity[:2]))))


def head_speed_mps(trace: Trace) -> float:
    return float(np.linalg.norm(trace.head_mps[trace.contact]))


def contact_height_m(trace: Trace) -> float:
    return float(trace.ball_m[2])


def _from_hips(trace: Trace) -> np.ndarray:
    hips = (trace.joints_m["left_hip"] + trace.joints_m["right_hip"])[trace.contact] / 2
    return trace.ball_m - hips


def contact_front_m(trace: Trace) -> float:
    return float(_from_hips(trace)[1])


def contact_reach_m(trace: Trace) -> float:
    return float(_from_hips(trace)[0] * trace.hitting_side)


def follow_path_m(trace: Trace) -> float:
    path = trace.hitting("wrist")[trace.contact : trace.finish + 1]
    return float(np.linalg.norm(np.diff(path, axis=0), axis=-1).sum())


def follow_time_s(trace: Trace) -> float:
    return float(trace.time_s[trace.finish] - trace.contact_s)


def follow_height(trace: Trace) -> float:
    """Wrist above the opposite shoulder at the finish, upper-arm lengths."""
    other = "left" if trace.right_handed else "right"
    gap = trace.hitting("wrist") - trace.joints_m[f"{other}_shoulder"]
    return float(gap[trace.finish, 2] / trace.upper_arm_m)


def arm_share(trace: Trace) -> float:
    frames, middle = trunk_frames(trace)
    k = trace.contact
    spin = trace.rate(frames)[k] @ frames[k].T
    turning = np.array([spin[2, 1], spin[0, 2], spin[1, 0]])
    explained = trace.rate(middle)[k] + np.cross(turning, trace.face_m[k] - middle[k])
    velocity = trace.head_mps[k]
    return float(1.0 - explained @ velocity / (velocity @ velocity))


def trunk_frames(trace: Trace) -> tuple[np.ndarray, np.ndarray]:
    """(T, 3, 3) trunk axes (across, ahead, up) and (T, 3) middle of the shoulders."""
    joints = trace.joints_m
    middle = (joints["left_shoulder"] + joints["right_shoulder"]) / 2
    up = middle - (joints["left_hip"] + joints["right_hip"]) / 2
    across = joints["right_shoulder"] - joints["left_shoulder"]
    across = across / np.linalg.norm(across, axis=-1, keepdims=True)
    ahead = np.cross(up, across)
    ahead = ahead / np.linalg.norm(ahead, axis=-1, keepdims=True)
    return np.stack([across, ahead, np.cross(across, ahead)], axis=-1), middle


def separation_stretch_deg(trace: Trace) -> float:
    """Greatest separation from load to contact beyond that at load."""
    later = trace.separation_deg[trace.load : trace.contact + 1]
    return float(later.max() - trace.separation_deg[trace.load])


def turnover_peak_dps(trace: Trace) -> float:
    near = np.abs(trace.time_s - trace.contact_s) <= _TURNOVER_HALF_S + 1e-9
    rates = trace.roll_dps[near]
    return float(rates[int(np.argmax(np.abs(rates)))])


def wrist_release_s(trace: Trace) -> float:
    """From the greatest wrist lag to contact, seconds before contact as a positive number."""
    window = trace.lag_deg[trace.forward : trace.contact + 1]
    return float(trace.contact_s - trace.time_s[trace.forward + int(np.argmax(window))])


def chain(trace: Trace) -> dict[str, float]:
    """Times before contact (negative) and sizes of the peak turning speeds along the chain."""
    segments = {
        "hips": -trace.rate(trace.turn_deg("hip")),
        "shoulders": -trace.rate(trace.turn_deg("shoulder")),
        "upper_arm": _swing_dps(trace, "shoulder", "elbow"),
        "forearm": _swing_dps(trace, "elbow", "wrist"),
        "paddle": np.degrees(np.linalg.norm(trace.rate(trace.paddle[:, :, 1]), axis=-1)),
    }
    start = int(np.searchsorted(trace.time_s, trace.time_s[trace.forward] - 0.05))
    window = slice(start, np.searchsorted(trace.time_s, trace.contact_s + 0.05))
    found = {}
    for name, speed in segments.items():
        peak = start + int(np.argmax(speed[window]))
        found[f"{name}_peak_s"] = float(trace.time_s[peak] - trace.contact_s)
        found[f"{name}_peak_dps"] = float(speed[peak])
    return found


def _swing_dps(trace: Trace, near: str, far: str) -> np.ndarray:
    bone = trace.hitting(far) - trace.hitting(near)
    bone = bone / np.linalg.norm(bone, axis=-1, keepdims=True)
    return np.degrees(np.linalg.norm(trace.rate(bone), axis=-1))


def ball_mean_speed_mps(trace: Trace) -> float:
    return trace.outcome.mean_speed_mps


def ball_launch_speed_mps(trace: Trace) -> float:
    return trace.outcome.launch_speed_mps


def landing_depth_m(trace: Trace) -> float:
    return trace.outcome.landing_depth_m


def net_clearance_m(trace: Trace) -> float:
    return trace.outcome.net_clearance_m


MEASURES: dict[str, tuple[Callable[[Trace], float], str]] = {
    "hip_turn_deg": (hip_turn_deg, "°"),
    "shoulder_turn_deg": (shoulder_turn_deg, "°"),
    "separation_at_load_deg": (separation_at_load_deg, "°"),
    "elbow_height": (elbow_height, "upper-arm lengths"),
    "elbow_behind": (elbow_behind, "upper-arm lengths"),
    "wrist_lag_deg": (wrist_lag_deg, "°"),
    "face_angle_deg": (face_angle_deg, "°"),
    "face_heading_deg": (face_heading_deg, "°"),
    "turnover_deg": (turnover_deg, "°"),
    "path_angle_deg": (path_angle_deg, "°"),
    "head_speed_mps": (head_speed_mps, "m/s"),
    "contact_height_m": (contact_height_m, "m"),
    "contact_front_m": (contact_front_m, "m"),
    "follow_path_m": (follow_path_m, "m"),
    "arm_share": (arm_share, "of head speed"),
    "ball_mean_speed_mps": (ball_mean_speed_mps, "m/s"),
    "ball_launch_speed_mps": (ball_launch_speed_mps, "m/s"),
    "landing_depth_m": (landing_depth_m, "m"),
}
"""The graded measures: function and unit."""

OTHER_MEASURES: dict[str, tuple[Callable[[Trace], float], str]] = {
    "contact_reach_m": (contact_reach_m, "m"),
    "follow_time_s": (follow_time_s, "s"),
    "follow_height": (follow_height, "upper-arm lengths"),
    "separation_stretch_deg": (separation_stretch_deg, "°"),
    "turnover_peak_dps": (turnover_peak_dps, "°/s"),
    "wrist_release_s": (wrist_release_s, "s"),
    "net_clearance_m": (net_clearance_m, "m"),
}
"""The rest of the table, in the truth but not graded."""

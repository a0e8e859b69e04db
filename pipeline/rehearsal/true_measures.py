"""True measures of a stroke, from the joints, the paddle and the ball that were rendered.

Each measure is a function of a `paddlebrief.rehearsal.traces.Trace`, which says when load,
forward swing and finish are. All angles are in degrees, all lengths in metres unless the name
says body parts. Definitions that the table of measures leaves open:

- *Separation at load*: the greatest separation in the stretch in which load is looked for.
- *Contact in front*: along the court, from the middle of the hip joints to the ball's centre.
- *Heading*: of the hitting face's normal, from straight along the court, positive to the
  player's right.
- *Turnover*: positive closing (palm turning down on a forehand).
- *Arm share*: 1 minus the part of head speed along its own direction that a rigid trunk would
  give, the trunk being the frame of shoulder line and the line from mid-hips to mid-shoulders.
"""

from collections.abc import Callable

import numpy as np

from paddlebrief.rehearsal.traces import Trace

__all__ = ["MEASURES", "OTHER_MEASURES", "chain", "trunk_frames"]

_TURNOVER_HALF_S = 0.030


def hip_turn_deg(trace: Trace) -> float:
    """Turn of the hip line at load, positive to the hitting side."""
    return float(trace.turn_deg("hip")[trace.load])


def shoulder_turn_deg(trace: Trace) -> float:
    """Turn of the shoulder line at load, positive to the hitting side."""
    return float(trace.turn_deg("shoulder")[trace.load])


def separation_at_load_deg(trace: Trace) -> float:
    """Greatest separation of the backswing."""
    return float(trace.separation_deg[trace.backswing].max())


def _elbow_at_load(trace: Trace) -> np.ndarray:
    return (trace.hitting("elbow") - trace.hitting("shoulder"))[trace.load] / trace.upper_arm_m


def elbow_height(trace: Trace) -> float:
    """Hitting elbow above its shoulder at load, upper-arm lengths."""
    return float(_elbow_at_load(trace)[2])


def elbow_behind(trace: Trace) -> float:
    """Hitting elbow behind its shoulder, away from the net, at load, upper-arm lengths."""
    return float(-_elbow_at_load(trace)[1])


def wrist_lag_deg(trace: Trace) -> float:
    """Greatest angle between forearm and paddle in the forward swing."""
    return float(trace.lag_deg[trace.forward : trace.contact + 1].max())


def face_angle_deg(trace: Trace) -> float:
    """Rise of the hitting face's normal at contact; 0 vertical, positive open."""
    return float(np.degrees(np.arcsin(np.clip(trace.normal[trace.contact, 2], -1, 1))))


def face_heading_deg(trace: Trace) -> float:
    """Heading of the hitting face's normal at contact, positive to the right."""
    x, y, _ = trace.normal[trace.contact]
    return float(np.degrees(np.arctan2(x, y)))


def turnover_deg(trace: Trace) -> float:
    """Roll of the face from 30 ms before to 30 ms after contact, closing positive."""
    near = np.abs(trace.time_s - trace.contact_s) <= _TURNOVER_HALF_S + 1e-9
    return float(np.trapezoid(trace.roll_dps[near], trace.time_s[near]))


def path_angle_deg(trace: Trace) -> float:
    """Rise of the face centre's path at contact."""
    velocity = trace.head_mps[trace.contact]
    return float(np.degrees(np.arctan2(velocity[2], np.hypot(*velocity[:2]))))


def head_speed_mps(trace: Trace) -> float:
    """Speed of the face's centre at contact."""
    return float(np.linalg.norm(trace.head_mps[trace.contact]))


def contact_height_m(trace: Trace) -> float:
    """Height of the ball's centre at contact."""
    return float(trace.ball_m[2])


def _from_hips(trace: Trace) -> np.ndarray:
    hips = (trace.joints_m["left_hip"] + trace.joints_m["right_hip"])[trace.contact] / 2
    return trace.ball_m - hips


def contact_front_m(trace: Trace) -> float:
    """Ball ahead of the middle of the hip joints at contact, along the court."""
    return float(_from_hips(trace)[1])


def contact_reach_m(trace: Trace) -> float:
    """Ball beside the middle of the hip joints at contact, to the hitting side."""
    return float(_from_hips(trace)[0] * trace.hitting_side)


def follow_path_m(trace: Trace) -> float:
    """Length of the wrist's path from contact to the finish."""
    path = trace.hitting("wrist")[trace.contact : trace.finish + 1]
    return float(np.linalg.norm(np.diff(path, axis=0), axis=-1).sum())


def follow_time_s(trace: Trace) -> float:
    """Time from contact to the finish."""
    return float(trace.time_s[trace.finish] - trace.contact_s)


def follow_height(trace: Trace) -> float:
    """Wrist above the opposite shoulder at the finish, upper-arm lengths."""
    other = "left" if trace.right_handed else "right"
    gap = trace.hitting("wrist") - trace.joints_m[f"{other}_shoulder"]
    return float(gap[trace.finish, 2] / trace.upper_arm_m)


def arm_share(trace: Trace) -> float:
    """Part of head speed that the trunk does not give."""
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
    """Greatest closing speed within 30 ms of contact; negative when it opens faster."""
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
    """Straight way from contact to the first bounce over its time."""
    return trace.outcome.mean_speed_mps


def ball_launch_speed_mps(trace: Trace) -> float:
    """Speed of the ball as it leaves the face."""
    return trace.outcome.launch_speed_mps


def landing_depth_m(trace: Trace) -> float:
    """First bounce short of the far base line; negative when long."""
    return trace.outcome.landing_depth_m


def net_clearance_m(trace: Trace) -> float:
    """Ball's lowest point over the net's edge; negative in the net."""
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

"""Measures of the paddle at contact and in the forward swing, from its fitted motions.

Definitions follow the table of measures. Each measure is the mean over the drawn motions of a
`paddlebrief.paddle.PaddlePose`, its uncertainty their spread, the doubt about the moment of
contact included. What is wider than a stated limit is not stated.
"""

from dataclasses import dataclass

import numpy as np

from paddlebrief.paddle import PaddlePose
from paddlebrief.paddle.turning import exp, log
from paddlebrief.records import FrameOfReference, Handedness, Measure, Side, Stroke

__all__ = ["PADDLE_MEASURES", "TrunkMotion", "paddle_measures"]

FACE_LIMIT_DEG = 10.0
TURNOVER_LIMIT_DEG = 12.0
RATE_LIMIT_DPS = 200.0
LAG_LIMIT_DEG = 12.0
RELEASE_LIMIT_S = 0.08
PATH_LIMIT_DEG = 12.0
SPEED_LIMIT_MPS = 2.5
ARM_LIMIT = 0.2
"""Standard uncertainties beyond which a measure is not stated (common practice, no source)."""
LEFT_OVER = {"wrist_lag_deg": 7.0, "wrist_release_s": 0.06, "head_speed_mps": 1.5}
"""Standard uncertainty beyond that of the fitted motion, in the measure's unit: what rendered strokes
showed, for the wrist's lag 60 of them with the forearm as the turn network reads it."""
_LEFT_OVER_WITHOUT_BALL_MPS = 2.0
"""Of head speed where no ball told it, in place of the above: a motion that is smoothed through
frames without a paddle reads low (41 rendered strokes)."""

TURNOVER_HALF_S = 0.030
SLOWEST_TURNOVER_S = 1 / 45  # coarsest frame interval that shows a roll within 60 ms
UNSEEN_FRAMES = 2.3  # frame intervals without a paddle that contact may be away
LAG_SMOOTH_S = 0.016
LAG_MOST_DEG = 105.0
"""A hand on a handle does not bend further (common practice, no source): what lies beyond is a
forearm or a paddle that was read wrongly."""
_SHARE_OF_FORWARD = 0.5
_ARM_DRAWS_SEED, _LAG_DRAWS_SEED = 1, 2

PADDLE_MEASURES: dict[str, str] = {
    "face_angle_deg": "°",
    "face_heading_deg": "°",
    "turnover_deg": "°",
    "turnover_peak_dps": "°/s",
    "wrist_lag_deg": "°",
    "wrist_release_s": "s",
    "path_angle_deg": "°",
    "head_speed_mps": "m/s",
    "arm_share": "of head speed",
}
"""Names and units, in page order."""

_NOT_SEEN = "the paddle was not seen at contact"
_WIDE = "the paddle's face is too uncertain from this side at this size"


@dataclass(frozen=True, kw_only=True)
class TrunkMotion:
    """How the trunk moves at contact, in the frame of the paddle's pose.

    Attributes
    ----------
    spin_radps, spin_sd_radps
        (3,) turning speed of the frame of shoulder line and spine, and the standard uncertainty
        of a component.
    middle_m, middle_sd_m
        (3,) middle of the shoulders.
    middle_mps, middle_sd_mps
        (3,) its velocity.
    """

    spin_radps: np.ndarray
    spin_sd_radps: float
    middle_m: np.ndarray
    middle_sd_m: float
    middle_mps: np.ndarray
    middle_sd_mps: float


@dataclass(frozen=True, kw_only=True)
class _View:
    """What every measure is taken from."""

    pose: PaddlePose
    stroke: Stroke
    facing: int
    forward_s: float
    trunk: TrunkMotion | None

    @property
    def frame(self) -> FrameOfReference:
        return FrameOfReference.COURT if self.pose.solved else FrameOfReference.GRAVITY

    @property
    def face_sign(self) -> int:
        """1 when the front face hits, −1 the back face, 0 when the side is not sure."""
        return {Side.FOREHAND: 1, Side.BACKHAND: -1}.get(self.stroke.side, 0)

    def stated(self, name: str, values: np.ndarray, limit: float, reason: str) -> Measure:
        """Mean and spread of drawn values, or the reason when they are wider than the limit."""
        return self.measure(name, float(values.mean()), float(values.std(ddof=1)), limit, reason)

    def measure(self, name: str, value: float, sd: float, limit: float, reason: str) -> Measure:
        unit = PADDLE_MEASURES[name]
        sd = float(np.hypot(sd, self.left_over(name)))
        if not (np.isfinite(value) and sd <= limit):
            return self.missing(name, reason)
        return Measure(name=name, value=value, sd=max(sd, 1e-6), unit=unit, frame=self.frame)

    def left_over(self, name: str) -> float:
        if name == "head_speed_mps" and not self.pose.with_ball:
            return _LEFT_OVER_WITHOUT_BALL_MPS
        return LEFT_OVER.get(name, 0.0)

    def missing(self, name: str, reason: str) -> Measure:
        return Measure.missing(name, PADDLE_MEASURES[name], self.frame, reason)

    def at_contact(self) -> np.ndarray:
        """(m, 3, 3) drawn rotations at drawn moments of contact, just before the impact."""
        pose = self.pose
        turn = pose.turning_radps[:, pose.before] * pose.shift_s[:, None]
        return exp(turn) @ pose.rotation[:, pose.before]

    def velocity(self) -> np.ndarray:
        """(m, 3) drawn velocities of the face's middle at drawn moments, just before impact."""
        pose = self.pose
        paths, b = pose.face_mps, pose.before
        earlier = int(np.searchsorted(pose.time_s, -max(pose.frame_interval_s, 0.008)))
        earlier = min(earlier, b - 1)
        change = (paths[:, b] - paths[:, earlier]).mean(axis=0) / -pose.time_s[earlier]
        return paths[:, b] + pose.shift_s[:, None] * change


def paddle_measures(
    pose: PaddlePose | None,
    stroke: Stroke,
    *,
    solved: bool,
    slow_factor: float = 1.0,
    facing: int = 1,
    trunk: TrunkMotion | None = None,
) -> tuple[Measure, ...]:
    """Every measure of the paddle for a stroke, in the order of `PADDLE_MEASURES`.

    Parameters
    ----------
    pose
        From ``paddle_pose``; None when the paddle was hardly seen.
    stroke
        The stroke.
    solved
        Whether the court was solved (the pose says the same).
    slow_factor
        Seconds of playback for one second on court.
    facing
        1 for a player in the camera's half, −1 beyond the net.
    trunk
        For the arm's share of head speed; None leaves that out.
    """
    frame = FrameOfReference.COURT if solved else FrameOfReference.GRAVITY
    reason = _why_nothing(pose, stroke)
    if pose is None or reason is not None:
        return tuple(
            Measure.missing(name, unit, frame, reason or _NOT_SEEN)
            for name, unit in PADDLE_MEASURES.items()
        )
    forward_s = (stroke.forward_s - stroke.contact_s) / slow_factor
    view = _View(pose=pose, stroke=stroke, facing=facing, forward_s=forward_s, trunk=trunk)
    return (
        face_angle(view),
        face_heading(view),
        turnover(view),
        turnover_peak(view),
        *wrist_lag(view),
        path_angle(view),
        head_speed(view),
        arm_share(view),
    )


def _why_nothing(pose: PaddlePose | None, stroke: Stroke) -> str | None:
    if pose is None:
        return "the paddle was seen in too few frames of the stroke"
    times = pose.frame_time_s[pose.seen]
    reach = UNSEEN_FRAMES * pose.frame_interval_s
    near = [((times >= -reach) & (times <= 0)).any(), ((times >= 0) & (times <= reach)).any()]
    return None if any(near) else _NOT_SEEN


def _unsure_side(view: _View, name: str) -> Measure | None:
    if view.face_sign:
        return None
    return view.missing(name, "whether it was a forehand or a backhand is not sure")


def face_angle(view: _View) -> Measure:
    """Rise of the hitting face's normal at contact: 0 vertical, positive open."""
    name = "face_angle_deg"
    unsure = _unsure_side(view, name)
    if unsure:
        return unsure
    normal = view.face_sign * view.at_contact()[:, :, 2]
    rise = np.degrees(np.arcsin(np.clip(normal[:, 2], -1, 1)))
    reason = _WIDE if view.pose.solved else (
        "without the court's lines the camera's tilt is not known well enough"
    )  # fmt: skip
    return view.stated(name, rise, FACE_LIMIT_DEG, reason)


def face_heading(view: _View) -> Measure:
    """Aim of the hitting face's normal against straight along the court, positive to the right."""
    name = "face_heading_deg"
    unsure = _unsure_side(view, name)
    if unsure:
        return unsure
    if not view.pose.solved:
        return view.missing(name, "the court was not found in the picture")
    normal = view.face_sign * view.facing * view.at_contact()[:, :, 2]
    middle = normal.mean(axis=0)
    heading = np.degrees(np.arctan2(middle[0], middle[1]))
    around = np.degrees(np.arctan2(normal[:, 0], normal[:, 1])) - heading
    return view.stated(name, heading + (around + 180) % 360 - 180, FACE_LIMIT_DEG, _WIDE)


def _rolls(view: _View) -> tuple[np.ndarray, np.ndarray]:
    """Nodes within 30 ms of contact, and (m, K) closing rolls between them, degrees."""
    pose = view.pose
    near = np.flatnonzero(np.abs(pose.time_s) <= TURNOVER_HALF_S + 1e-9)
    rotation = pose.rotation[:, near]
    turned = log(rotation[:, 1:] @ np.swapaxes(rotation[:, :-1], -1, -2))
    along = rotation[:, 1:, :, 1] + rotation[:, :-1, :, 1]
    along /= np.linalg.norm(along, axis=-1, keepdims=True)
    closing = -view.face_sign * (1 if view.stroke.hand is Handedness.RIGHT else -1)
    return near, closing * np.degrees(np.sum(turned * along, axis=-1))


def _coarse(view: _View, name: str) -> Measure | None:
    if view.pose.frame_interval_s <= SLOWEST_TURNOVER_S:
        return None
    rate = round(1 / view.pose.frame_interval_s)
    return view.missing(
        name, f"{rate} frames a second are too few to see the face roll within 60 ms"
    )


def turnover(view: _View) -> Measure:
    """Roll of the face about the long axis from 30 ms before to 30 ms after contact, + closing."""
    name = "turnover_deg"
    missing = _unsure_side(view, name) or _coarse(view, name)
    if missing:
        return missing
    near, rolls = _rolls(view)
    slope = _closing_dps(view)
    shifted = view.pose.shift_s * (slope[:, near[-1]] - slope[:, near[0]]).mean()
    reason = "the roll of the face is too uncertain from this side at this size"
    return view.stated(name, rolls.sum(axis=1) + shifted, TURNOVER_LIMIT_DEG, reason)


def _closing_dps(view: _View) -> np.ndarray:
    """(m, N) closing speed about the long axis, degrees a second."""
    pose = view.pose
    closing = -view.face_sign * (1 if view.stroke.hand is Handedness.RIGHT else -1)
    about = np.sum(pose.turning_radps * pose.rotation[..., 1], axis=-1)
    return closing * np.degrees(about)


def turnover_peak(view: _View) -> Measure:
    """Closing speed where it is greatest within 30 ms of contact; negative when opening."""
    name = "turnover_peak_dps"
    missing = _unsure_side(view, name) or _coarse(view, name)
    if missing:
        return missing
    near = np.abs(view.pose.time_s) <= TURNOVER_HALF_S + 1e-9
    rates = _closing_dps(view)[:, near]
    peak = int(np.abs(rates.mean(axis=0)).argmax())
    reason = "the face's rolling speed is too uncertain at this frame rate and size"
    return view.stated(name, rates[:, peak], RATE_LIMIT_DPS, reason)


def wrist_lag(view: _View) -> tuple[Measure, Measure]:
    """Greatest angle between forearm and paddle in the forward swing; its time before contact.

    The angle's curve is smoothed over a frame or two before its top is taken, so that the top is
    not that of the noise.
    """
    names = ("wrist_lag_deg", "wrist_release_s")
    pose = view.pose
    # The moment just before the impact counts as the swing's last.
    swing = (pose.frame_time_s >= view.forward_s) & (pose.frame_time_s <= 0.5e-3)
    known = swing & np.isfinite(pose.forearm).all(axis=1)
    if not swing.any() or known.sum() < max(3, _SHARE_OF_FORWARD * swing.sum()):
        reason = "the forearm was not measured in the forward swing"
        return tuple(view.missing(n, reason) for n in names)
    if (pose.seen & swing).sum() < _SHARE_OF_FORWARD * swing.sum():
        reason = "the paddle was seen in too few frames of the forward swing"
        return tuple(view.missing(n, reason) for n in names)
    time_s = pose.frame_time_s[known]
    along = pose.rotation[..., 1][:, pose.frame_node[known]]
    cosine = np.sum(along * pose.forearm[known], axis=-1)
    near = np.exp(-0.5 * ((time_s[:, None] - time_s) / LAG_SMOOTH_S) ** 2)
    angle = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    forearm_sd = np.degrees(pose.forearm_sd_rad[known])
    noise = np.random.default_rng(_LAG_DRAWS_SEED).standard_normal(angle.shape) * forearm_sd
    steady = near / near.sum(axis=0)
    lag, noisy = angle @ steady, (angle + noise) @ steady
    top = int(lag.mean(axis=0).argmax())
    if lag[:, top].mean() > LAG_MOST_DEG:
        reason = "forearm and paddle as they were seen do not fit one hand"
        return tuple(view.missing(n, reason) for n in names)
    # An error of the forearm may be the same in all frames: it is not averaged away.
    sd = float(np.hypot(lag[:, top].std(ddof=1), forearm_sd[top]))
    reason = "the angle between forearm and paddle is too uncertain from this side"
    greatest = view.measure(names[0], float(lag[:, top].mean()), sd, LAG_LIMIT_DEG, reason)
    if not greatest.measured:
        return greatest, view.missing(names[1], reason)
    flat = lag.mean(axis=0) >= lag[:, top].mean() - sd
    return greatest, _release(view, time_s=time_s, lag=noisy, flat=flat, top=top)


def _release(
    view: _View, *, time_s: np.ndarray, lag: np.ndarray, flat: np.ndarray, top: int
) -> Measure:
    """When the angle is greatest; no better than the curve is flat within its uncertainty."""
    tops = time_s[lag.argmax(axis=1)]
    parts = [
        max(float(tops.std(ddof=1)), float(np.ptp(time_s[flat])) / np.sqrt(12)),
        view.pose.frame_interval_s / np.sqrt(12),
        view.pose.contact_s_sd,
    ]
    sd = float(np.sqrt(np.sum(np.square(parts))))
    reason = "when the wrist lets go cannot be told at this certainty"
    return view.measure("wrist_release_s", -float(time_s[top]), sd, RELEASE_LIMIT_S, reason)


def path_angle(view: _View) -> Measure:
    """Rise of the path of the face's middle at contact, just before the impact."""
    velocity = view.velocity()
    rise = np.degrees(np.arctan2(velocity[:, 2], np.hypot(velocity[:, 0], velocity[:, 1])))
    reason = "the paddle's way towards or from the camera is too uncertain from this side"
    return view.stated("path_angle_deg", rise, PATH_LIMIT_DEG, reason)


def head_speed(view: _View) -> Measure:
    """Speed of the face's middle at contact, just before the impact.

    The spread is taken along the mean velocity: the length of a vector with noise across it is
    too long on average.
    """
    velocity = view.velocity()
    mean = velocity.mean(axis=0)
    speed = float(np.linalg.norm(mean))
    sd = float((velocity @ (mean / speed)).std(ddof=1))
    reason = "the paddle's way towards or from the camera is too uncertain from this side"
    return view.measure("head_speed_mps", speed, sd, SPEED_LIMIT_MPS, reason)


def arm_share(view: _View) -> Measure:
    """Part of head speed, along its own direction, that a rigid trunk would not give."""
    name, trunk = "arm_share", view.trunk
    if trunk is None:
        return view.missing(name, "the trunk's motion was not measured")
    speed = head_speed(view)
    if not speed.measured:
        return view.missing(name, speed.reason or _WIDE)
    rng = np.random.default_rng(_ARM_DRAWS_SEED)
    velocity = view.velocity()
    face = view.pose.face_m[:, view.pose.before]

    def around(middle: np.ndarray, sd: float) -> np.ndarray:
        return middle + sd * rng.standard_normal(face.shape)

    arm = face - around(trunk.middle_m, trunk.middle_sd_m)
    explained = around(trunk.middle_mps, trunk.middle_sd_mps) + np.cross(
        around(trunk.spin_radps, trunk.spin_sd_radps), arm
    )
    mean = velocity.mean(axis=0)
    share = 1 - np.sum(explained * mean, axis=1) / np.maximum(velocity @ mean, 1e-6)
    reason = "the trunk's part of the paddle's speed is too uncertain"
    return view.stated(name, share, ARM_LIMIT, reason)

"""Free poses: people who stand, walk, reach, kick, lunge, bend and twist, with no swing in mind.

A network that only saw athletes in a crouch fails on anybody who stands at ease, lets the arms
hang, serves over the head or lifts a leg. Half of the training pictures are therefore free.
Ranges are far wider than what people do (own judgement, no source), within what joints allow.
"""

from dataclasses import dataclass

import numpy as np

from paddlebrief.rehearsal.bodies import Body
from paddlebrief.rehearsal.figure import ArmState, Figure, FootState, PoseState
from paddlebrief.rehearsal.reach import Grip
from paddlebrief.rehearsal.segments import unit
from paddlebrief.turn.training.poses import Moving, bends_of, bent

__all__ = ["free_motion"]


@dataclass(frozen=True)
class _Manner:
    """How upright and how twisted a body is; angles in degrees, crouch in leg lengths."""

    crouch: tuple[float, float]
    twist_deg: float
    stoop_deg: tuple[float, float]
    lean_deg: float
    quiet_arms: float
    loose_leg: float
    pace: float


_MANNERS = (
    (0.36, _Manner((0.95, 1.01), 16, (4, 7), 4, 0.8, 0.06, 0.3)),  # stands or walks
    (0.32, _Manner((0.68, 0.99), 40, (12, 15), 9, 0.25, 0.12, 1.0)),  # plays
    (0.32, _Manner((0.60, 1.0), 45, (6, 24), 15, 0.15, 0.55, 1.0)),  # anything
)
_QUIET = {  # upper arm and forearm in the chest's axes of a right arm, bend of the elbow
    "hanging": ((0.18, 0.05, -1.0), (-0.05, 0.45, -0.9), (3, 40)),
    "hands on hips": ((0.75, -0.35, -0.6), (-0.75, 0.4, -0.5), (70, 120)),
    "crossed": ((0.12, 0.30, -0.95), (-0.95, 0.35, 0.1), (80, 118)),
    "held in front": ((0.12, 0.2, -0.95), (-0.35, 0.9, 0.1), (45, 115)),
    "at the face": ((0.2, 0.5, -0.7), (-0.4, 0.3, 0.85), (115, 145)),
    "behind": ((0.2, -0.4, -0.9), (-0.7, -0.3, -0.6), (20, 80)),
}
_BUSY = {
    "raised": ((0.3, 0.2, 0.95), (0.0, 0.2, 1.0), (2, 110)),
    "drawn back": ((0.9, -0.25, 0.15), (0.0, -0.35, 0.95), (60, 140)),
    "stretched out": ((0.85, 0.4, 0.0), (0.5, 0.8, 0.1), (2, 60)),
}


def free_motion(body: Body, rng: np.random.Generator) -> Moving:
    """A body in a free pose that moves on at a steady pace."""
    figure = Figure(body, left_handed=bool(rng.uniform() < 0.5))
    odds = np.array([share for share, _ in _MANNERS])
    manner = _MANNERS[rng.choice(len(_MANNERS), p=odds / odds.sum())][1]
    start, rate = _state(figure, rng, manner)
    bends = bends_of(body, rng) if rng.uniform() < 0.5 else {}
    grip = Grip()
    wrist = body.joint("left_wrist" if figure.mirrored else "right_wrist")

    def place(times_s: np.ndarray):
        t = np.asarray(times_s, float)[:, None]
        now = {name: start[name] + t * rate[name] for name in start}
        state = PoseState(
            pelvis_m=now["pelvis_m"],
            pelvis_rad=now["pelvis"],
            chest_rad=now["chest"],
            head_rad=now["head"],
            hitting=_arm(now, "hitting"),
            other=_arm(now, "other"),
            right_foot=_foot(now, "right"),
            left_foot=_foot(now, "left"),
            grip_weight=np.zeros(len(t)),
        )
        pose = figure.pose(state)
        root, local = figure.body_pose(pose)
        near, far = ("left", "right") if figure.mirrored else ("right", "left")
        local = body.grip(body.grip(local, near), far, 0.3)
        butt, rotation = grip.paddle(figure, pose.positions["right_wrist"], pose.hand)
        y, z = (figure.to_court(rotation[..., :, k]) for k in (1, 2))
        paddle = np.stack([np.cross(y, z), y, z], axis=-1)
        held = figure.to_court(butt), paddle
        return bent(body, (root, local), bends, wrist=wrist, held=held)

    hand = "left" if figure.mirrored else "right"
    return Moving(body=body, place=place, times_s=(-0.06, 0.06), hand=hand)


def _state(figure: Figure, rng: np.random.Generator, manner: _Manner) -> tuple[dict, dict]:
    yaw = rng.uniform(-np.pi, np.pi)
    twist = rng.normal(0, manner.twist_deg) if rng.uniform() < 0.6 else rng.uniform(-1.8, 1.8) * (
        manner.twist_deg
    )  # fmt: skip
    twist = np.radians(np.clip(twist, -78, 78))
    lean = np.radians(manner.lean_deg)
    pitch, roll = rng.normal(0.05, 0.6 * lean + 0.03), rng.normal(0, 0.6 * lean)
    stoop = np.radians(rng.normal(*manner.stoop_deg))
    look = rng.normal(0, 0.45)
    start = {
        "pelvis": np.array([yaw, pitch, roll]),
        "chest": np.array([yaw + twist, pitch + stoop, roll + rng.normal(0, lean)]),
        "head": np.array([yaw + 0.7 * twist + look, rng.normal(0.1, 0.3), rng.normal(0, 0.12)]),
    }
    rest = figure.rest("right_ankle")[2] + 0.02
    height = rest + rng.uniform(*manner.crouch) * figure.leg_length_m
    start["pelvis_m"] = np.array([0.0, 0.0, height])
    start |= _feet(figure, rng, manner, yaw=yaw, height_m=height)
    both = rng.uniform() < 0.45  # both arms do the same, as crossed or hanging ones do
    style = _style(rng, manner)
    for arm in ("hitting", "other"):
        upper, hinge, bend = _arm_way(rng, style)
        wrist = np.radians(rng.normal(0, 1, 3) * [35, 18, 8])
        start |= {f"{arm}_upper": upper, f"{arm}_hinge": hinge,
                  f"{arm}_angles": np.array([bend, *wrist])}  # fmt: skip
        style = style if both else _style(rng, manner)
    return start, _rates(start, rng, manner)


def _feet(figure: Figure, rng, manner: _Manner, *, yaw: float, height_m: float) -> dict:
    scale = figure.stature_m / 1.75
    feet_yaw = yaw + rng.normal(0, 0.25)
    ahead = np.array([-np.sin(feet_yaw), np.cos(feet_yaw)])
    across = np.array([ahead[1], -ahead[0]])
    wide = rng.uniform(0.04, 0.14) if rng.uniform() < 0.5 else rng.uniform(0.06, 0.38)
    step = rng.normal(0, 0.05 + 0.35 * (1 - min(manner.crouch)))
    places = {}
    for side, sign in (("right", 1), ("left", -1)):
        spot = across * sign * wide + ahead * (0.06 + sign * step + rng.normal(0, 0.05))
        ball, lift = np.append(spot * scale, 0.0), max(0.0, rng.normal(-0.1, 0.3))
        if rng.uniform() < manner.loose_leg:
            ball, lift = _lifted(figure, rng, ahead, across * sign, height_m)
        places[f"{side}_ball"] = ball
        places[f"{side}_yaw"] = np.array([feet_yaw - sign * rng.uniform(-0.1, 0.7)])
        places[f"{side}_pitch"] = np.array([lift])
    return places


def _lifted(figure: Figure, rng, ahead, outward, height_m: float) -> tuple[np.ndarray, float]:
    """A foot off the ground, in front, behind or to the side, and how far its heel is lifted."""
    forth, out = rng.normal(0, 0.75), abs(rng.normal(0, 0.3)) - 0.08
    way = unit(np.array([forth, out, -abs(rng.normal(0.8, 0.35)) - 0.05]))
    far = way * rng.uniform(0.5, 0.98) * figure.leg_length_m
    ball = np.append(far[0] * ahead + (far[1] + 0.1) * outward, height_m + far[2])
    ball[2] = max(ball[2] - 0.06, 0.0)
    return ball, rng.uniform(0.2, 1.4) if forth < -0.2 else rng.uniform(0.0, 0.5)


def _style(rng: np.random.Generator, manner: _Manner) -> str:
    if rng.uniform() < manner.quiet_arms:
        names = list(_QUIET)
        return str(rng.choice(names, p=[0.45, 0.1, 0.1, 0.2, 0.08, 0.07]))
    return str(rng.choice([*_BUSY, "any"], p=[0.2, 0.12, 0.13, 0.55]))


def _arm_way(rng: np.random.Generator, style: str) -> tuple[np.ndarray, np.ndarray, float]:
    """Upper arm and elbow axis of a right arm in the chest's axes, and the elbow's bend."""
    if style == "any":
        upper = _any_upper(rng)
        forearm = rng.normal(0, 1, 3) * 0.8 + [-0.3, 0.7, 0.15]
        bend = rng.uniform(2, 140)
    else:
        upper, forearm, bends = (_QUIET | _BUSY)[style]
        upper = unit(np.array(upper) + rng.normal(0, 0.16, 3))
        forearm = np.array(forearm) + rng.normal(0, 0.2, 3)
        bend = rng.uniform(*bends)
    return upper, unit(np.cross(upper, forearm)), np.radians(bend)


def _any_upper(rng: np.random.Generator) -> np.ndarray:
    """A direction that a right shoulder allows: not far across the body, nor straight behind."""
    while True:
        upper = unit(rng.normal((0.3, 0.2, -0.1), 1.0))
        if upper[0] > -0.5 and upper[1] > -0.88 and (upper[0] > -0.1 or upper[1] > 0.15):
            return upper


def _rates(start: dict, rng: np.random.Generator, manner: _Manner) -> dict:
    rate = {name: np.zeros_like(value) for name, value in start.items()}
    pace = rng.exponential(1.0) * manner.pace
    spin = rng.normal(0, 2.5) * pace
    rate["pelvis"][0] = 0.7 * spin + rng.normal(0, 0.8) * pace
    rate["chest"][0] = spin + rng.normal(0, 1.5) * pace
    rate["head"][0] = 0.6 * spin
    rate["pelvis_m"][:2] = rng.normal(0, 0.5, 2) * pace
    for arm in ("hitting", "other"):
        rate[f"{arm}_upper"] = rng.normal(0, 3.0, 3) * pace
        rate[f"{arm}_angles"][0] = rng.normal(0, 5.0) * pace
    return rate


def _arm(now: dict, arm: str) -> ArmState:
    upper = unit(now[f"{arm}_upper"])
    hinge = now[f"{arm}_hinge"]
    hinge = unit(hinge - np.sum(hinge * upper, -1, keepdims=True) * upper)
    angles = now[f"{arm}_angles"].copy()
    angles[:, 0] = np.clip(angles[:, 0], 0.03, 2.5)
    return ArmState(upper, hinge, angles)


def _foot(now: dict, side: str) -> FootState:
    return FootState(
        now[f"{side}_ball"], now[f"{side}_yaw"][:, 0], np.maximum(now[f"{side}_pitch"][:, 0], 0)
    )

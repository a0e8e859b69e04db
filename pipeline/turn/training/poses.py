"""Poses that training pictures show: swings, swings bent out of shape, and free poses.

A network that only saw well-formed swings would learn what usually goes with what, such as a
separation with each phase, and answer with that. So trunk, arms and head of most swings are
turned away from where the swing had them, and a part of the poses is free.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np
from scipy.spatial.transform import Rotation

from paddlebrief.rehearsal.bodies import Body
from paddlebrief.rehearsal.figure import ArmState, Figure, FootState, PoseState
from paddlebrief.rehearsal.motion import PlayerMotion
from paddlebrief.rehearsal.paddle import PaddleSpec
from paddlebrief.rehearsal.reach import Grip
from paddlebrief.rehearsal.segments import unit
from paddlebrief.rehearsal.swings import SHAPES
from paddlebrief.rehearsal.technique import DIAL_RANGES, Dials, default_technique, draw_dials
from paddlebrief.rehearsal.trunk import Swing

__all__ = ["CONTACT_S", "LINES", "Moving", "free_motion", "swing_motion", "truth_of"]

LINES = ("hip", "shoulder")

CONTACT_S = 3.0
"""When a swing meets the ball, in the times of ``Moving``."""
_SPINE = ("spine_low", "spine_mid", "spine_high", "chest")
_WIDE_SD = {"hip_turn_deg": 22.0, "shoulder_turn_deg": 28.0, "elbow_height": 0.22,
            "elbow_behind": 0.25, "elbow_bend_deg": 16.0, "arm_share": 0.12,
            "contact_height_m": 0.16, "contact_front_m": 0.10, "follow_share": 0.2}  # fmt: skip
"""Spread of the dials in training, far beyond any player's own."""


@dataclass(frozen=True, kw_only=True)
class Moving:
    """A moving body: functions of (T,) times, seconds.

    ``place`` gives joint places (T, J, 3), rotations (T, J, 3, 3), and the paddle's butt (T, 3)
    and rotation (T, 3, 3), in a court frame with the player near the origin.
    ``times_s`` is the stretch from which moments are drawn.
    """

    body: Body
    place: Callable[[np.ndarray], tuple[np.ndarray, ...]]
    times_s: tuple[float, float]
    hand: str


def swing_motion(body: Body, rng: np.random.Generator, *, well_formed: bool = False) -> Moving:
    """A swing of any kind by either hand, usually bent out of shape unless ``well_formed``."""
    action, side = list(SHAPES)[rng.integers(len(SHAPES))]
    figure = Figure(body, left_handed=bool(rng.uniform() < 0.35))
    dials = draw_dials(default_technique(action, side, rng=rng), rng=rng)
    if not well_formed and rng.uniform() < 0.7:
        dials = _spread_out(dials, rng)
    swing = Swing(CONTACT_S, action, side, np.zeros(2), dials, float(rng.normal(4, 10)))

    motion = PlayerMotion(figure, [swing], paddle=PaddleSpec(), grip=Grip(), rng=rng)
    bends = _bends(body, rng) if not well_formed and rng.uniform() < 0.75 else {}
    hand = "left" if figure.mirrored else "right"
    wrist = body.joint(f"{hand}_wrist")

    def place(times_s: np.ndarray):
        found = motion.perform(times_s)
        straight = body.joints(found.root_position_m, found.local_rotations)
        if not bends:
            return *straight, found.butt_m, found.paddle_rotation
        local = found.local_rotations.copy()
        for joint, turn in bends.items():
            local[:, joint] = local[:, joint] @ turn
        _untwist_legs(body, local, bends)
        bent = body.joints(found.root_position_m, local)
        return *bent, *_carried(wrist, straight, bent, found.butt_m, found.paddle_rotation)

    return Moving(body=body, place=place, times_s=(CONTACT_S - 1.0, CONTACT_S + 0.7), hand=hand)


def _spread_out(dials: Dials, rng: np.random.Generator) -> Dials:
    moved = {}
    for field in fields(dials):
        if field.name in _WIDE_SD:
            low, high, _ = DIAL_RANGES[field.name]
            value = getattr(dials, field.name) + rng.normal(0, _WIDE_SD[field.name])
            moved[field.name] = float(np.clip(value, low, high))
    return replace(dials, **moved)


def _bends(body: Body, rng: np.random.Generator) -> dict[int, np.ndarray]:
    """Joint to a constant extra rotation in its own axes."""
    sizes = {"pelvis": (0, 0, 11), "neck": (4, 3, 9), "head": (6, 5, 12)}
    sizes |= dict.fromkeys(_SPINE, (2.5, 2, 6))
    for side in ("left", "right"):
        sizes |= {f"{side}_clavicle": (2, 3, 3), f"{side}_shoulder": (11, 11, 9),
                  f"{side}_elbow": (4, 4, 4)}  # fmt: skip
    strength = rng.uniform(0.3, 1.3)
    return {
        body.joint(name): Rotation.from_euler(
            "xyz", rng.normal(0, 1, 3) * np.array(size) * strength, degrees=True
        ).as_matrix()
        for name, size in sizes.items()
    }


def _untwist_legs(body: Body, local: np.ndarray, bends: dict[int, np.ndarray]) -> None:
    """Legs and spine stay where they were when the pelvis is turned."""
    back = bends[body.joint("pelvis")].T
    for name in ("left_hip", "right_hip", "spine_low"):
        local[:, body.joint(name)] = back @ local[:, body.joint(name)]


def _carried(wrist: int, straight, bent, butt: np.ndarray, rotation: np.ndarray):
    """The paddle as it goes along with a hand that was moved."""
    (places, turns), (new_places, new_turns) = straight, bent
    step = new_turns[:, wrist] @ np.swapaxes(turns[:, wrist], -1, -2)
    arm = np.einsum("tij,tj->ti", step, butt - places[:, wrist])
    return new_places[:, wrist] + arm, step @ rotation


def free_motion(body: Body, rng: np.random.Generator) -> Moving:
    """A body that stands, bends and twists anyhow and moves at a steady pace."""
    figure = Figure(body, left_handed=bool(rng.uniform() < 0.5))
    start, rate = _free_state(figure, rng)
    grip = Grip()

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
        return *body.joints(root, local), figure.to_court(butt), paddle

    hand = "left" if figure.mirrored else "right"
    return Moving(body=body, place=place, times_s=(-0.06, 0.06), hand=hand)


def _free_state(figure: Figure, rng: np.random.Generator) -> tuple[dict, dict]:
    scale = figure.stature_m / 1.75
    yaw, twist = rng.uniform(-np.pi, np.pi), np.radians(rng.triangular(-75, 0, 75))
    pitch, roll = rng.normal(0.12, 0.16), rng.normal(0, 0.06)
    stoop = rng.normal(0.18, 0.25)
    start = {
        "pelvis": np.array([yaw, pitch * 0.6, roll]),
        "chest": np.array([yaw + twist, pitch + stoop, roll + rng.normal(0, 0.10)]),
        "head": np.array([yaw + twist * 0.7 + rng.normal(0, 0.35), rng.normal(0.1, 0.25), 0.0]),
    }
    crouch = rng.uniform(0.72, 0.97)
    rest = figure.rest("right_ankle")[2] + 0.02
    start["pelvis_m"] = np.array([0.0, 0.0, rest + crouch * figure.leg_length_m])
    feet_yaw = yaw + rng.normal(0, 0.25)
    ahead = np.array([-np.sin(feet_yaw), np.cos(feet_yaw)])
    across = np.array([ahead[1], -ahead[0]])
    for side, sign in (("right", 1), ("left", -1)):
        spot = across * sign * rng.uniform(0.06, 0.32) + ahead * (0.08 + rng.normal(0, 0.16))
        start[f"{side}_ball"] = np.append(spot * scale, 0.0)
        start[f"{side}_yaw"] = np.array([feet_yaw - sign * rng.uniform(0, 0.7)])
        start[f"{side}_pitch"] = np.array([max(0.0, rng.normal(-0.1, 0.3))])
    for arm in ("hitting", "other"):
        upper, hinge = _arm_directions(rng)
        bend = np.radians(rng.uniform(5, 135))
        wrist = np.radians(rng.normal(0, 1, 3) * [35, 18, 8])
        start |= {f"{arm}_upper": upper, f"{arm}_hinge": hinge,
                  f"{arm}_angles": np.array([bend, *wrist])}  # fmt: skip
    rate = {name: np.zeros_like(value) for name, value in start.items()}
    pace = rng.exponential(1.0)
    spin = rng.normal(0, 2.5) * pace
    rate["pelvis"][0] = 0.7 * spin + rng.normal(0, 0.8) * pace
    rate["chest"][0] = spin + rng.normal(0, 1.5) * pace
    rate["head"][0] = 0.6 * spin
    rate["pelvis_m"][:2] = rng.normal(0, 0.5, 2) * pace
    for arm in ("hitting", "other"):
        rate[f"{arm}_upper"] = rng.normal(0, 3.0, 3) * pace
        rate[f"{arm}_angles"][0] = rng.normal(0, 5.0) * pace
    return start, rate


def _arm_directions(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Directions of upper arm and elbow axis of a right arm that a shoulder allows."""
    while True:
        upper = unit(rng.normal(0, 1, 3) * [0.6, 0.7, 0.75] + [0.42, 0.25, -0.35])
        if upper[0] > -0.45 and upper[1] > -0.85 and (upper[0] > -0.1 or upper[1] > 0.2):
            break
    forearm = rng.normal(0, 1, 3) * 0.7 + [-0.35, 0.8, 0.1]
    return upper, unit(np.cross(upper, forearm))


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


def truth_of(
    body: Body, positions_m: np.ndarray, to_sight: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """What the network shall answer for one pose.

    Parameters
    ----------
    positions_m
        (J, 3) joints.
    to_sight
        (3, 3) from the frame of the joints to the line-of-sight frame.

    Returns
    -------
    headings, directions
        (2,) headings of hips and shoulders, radians, anticlockwise from above, 0 when the body
        faces straight away from the camera; (5, 3) unit vectors of ``net.SEGMENTS``, in the
        line-of-sight frame.
    """
    seen = positions_m @ to_sight.T

    def at(name: str) -> np.ndarray:
        return seen[body.joint(name)]

    headings = []
    for joint in LINES:
        right = at(f"right_{joint}") - at(f"left_{joint}")
        headings.append(np.arctan2(right[1], right[0]))
    middle = {j: (at(f"left_{j}") + at(f"right_{j}")) / 2 for j in LINES}
    ways = [middle["shoulder"] - middle["hip"]]
    for side in ("left", "right"):
        ways.append(at(f"{side}_elbow") - at(f"{side}_shoulder"))
        ways.append(at(f"{side}_wrist") - at(f"{side}_elbow"))
    return np.array(headings), unit(np.stack(ways))

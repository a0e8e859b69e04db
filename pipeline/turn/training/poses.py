"""Poses that training pictures show: swings and swings bent out of shape (`free_poses`: others).

A network that only saw well-formed swings would learn what usually goes with what, such as a
separation with each phase, and answer with that. So trunk, arms and head of most swings are
turned away from where the swing had them.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np
from scipy.spatial.transform import Rotation

from paddlebrief.rehearsal.bodies import Body
from paddlebrief.rehearsal.figure import Figure
from paddlebrief.rehearsal.motion import PlayerMotion
from paddlebrief.rehearsal.paddle import PaddleSpec
from paddlebrief.rehearsal.reach import Grip
from paddlebrief.rehearsal.segments import unit
from paddlebrief.rehearsal.swings import SHAPES
from paddlebrief.rehearsal.technique import DIAL_RANGES, Dials, default_technique, draw_dials
from paddlebrief.rehearsal.trunk import Swing

__all__ = ["CONTACT_S", "LINES", "Moving", "bends_of", "bent", "swing_motion", "truth_of"]

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
    bends = bends_of(body, rng) if not well_formed and rng.uniform() < 0.75 else {}
    hand = "left" if figure.mirrored else "right"
    wrist = body.joint(f"{hand}_wrist")

    def place(times_s: np.ndarray):
        found = motion.perform(times_s)
        state = found.root_position_m, found.local_rotations
        held = found.butt_m, found.paddle_rotation
        return bent(body, state, bends, wrist=wrist, held=held)

    return Moving(body=body, place=place, times_s=(CONTACT_S - 1.0, CONTACT_S + 0.7), hand=hand)


def _spread_out(dials: Dials, rng: np.random.Generator) -> Dials:
    moved = {}
    for field in fields(dials):
        if field.name in _WIDE_SD:
            low, high, _ = DIAL_RANGES[field.name]
            value = getattr(dials, field.name) + rng.normal(0, _WIDE_SD[field.name])
            moved[field.name] = float(np.clip(value, low, high))
    return replace(dials, **moved)


def bends_of(body: Body, rng: np.random.Generator) -> dict[int, np.ndarray]:
    """Joint to a constant extra rotation (3, 3) in its own axes, drawn at random."""
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


def bent(body: Body, state, bends: dict[int, np.ndarray], *, wrist: int, held):
    """A body's joints and its paddle after extra rotations.

    Parameters
    ----------
    state
        (T, 3) places of the pelvis and (T, J, 3, 3) local rotations.
    bends
        From ``bends_of``; empty leaves everything as it is.
    wrist
        Number of the joint that carries the paddle.
    held
        (T, 3) the paddle's butt and (T, 3, 3) its rotation.
    """
    root, local = state
    straight = body.joints(root, local)
    if not bends:
        return *straight, *held
    local = local.copy()
    for joint, turn in bends.items():
        local[:, joint] = local[:, joint] @ turn
    _untwist_legs(body, local, bends)
    moved = body.joints(root, local)
    return *moved, *_carried(wrist, straight, moved, *held)


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

"""Arm poses of a swing's key moments, solved in closed form or on a small grid.

Everything is in the figure's frame (a right-handed player's court frame) for one moment; arms come
out as they are interpolated: upper-arm direction and elbow axis in the chest's axes, and the four
angles of elbow and wrist.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from paddlebrief.rehearsal.figure import JOINT_LIMITS_DEG, Figure
from paddlebrief.rehearsal.paddle import PaddleSpec
from paddlebrief.rehearsal.segments import (
    frame_of,
    hand_frame,
    turn_about,
    two_bones,
    unit,
    wrist_angles,
)
from paddlebrief.rehearsal.swings import Shape, Vector, Wrist
from paddlebrief.rehearsal.technique import Dials

__all__ = ["ArmKey", "Chest", "ContactArm", "Grip", "arm_rates", "between", "solve_contact"]

_WRIST_LIMITS = np.radians(
    [JOINT_LIMITS_DEG[j] for j in ("pronation", "wrist_flexion", "wrist_deviation")]
)
_COMFORT_RAD = np.radians([40.0, 28.0, 14.0])
_ELBOW_RANGE_RAD = (np.radians(8.0), np.radians(140.0))
_HUMERAL_TURN_RAD = np.radians(80.0)
"""Turn of the upper arm about itself that is still easy (a guess inside a healthy range of 90°)."""
_FIRM = np.array([0.3, 0.1, 0.1])
_RATE_WEIGHTS = np.array([1.0, 1.0, 1.0, 0.45, 0.6, 0.4, 0.15])
"""How readily shoulder (3), elbow, pronation, wrist flexion and deviation give speed (a guess)."""


@dataclass(frozen=True)
class Chest:
    """The chest at one moment: joint place (3,) and rotation (3, 3)."""

    place_m: np.ndarray
    rotation: np.ndarray


@dataclass(frozen=True)
class ArmKey:
    """An arm at one moment: ``upper``, ``hinge`` (3,) in the chest's axes, ``angles_rad`` (4,)."""

    upper: np.ndarray
    hinge: np.ndarray
    angles_rad: np.ndarray


@dataclass(frozen=True)
class ContactArm:
    """The hitting arm at contact, and where ball (its centre) and face then are."""

    arm: ArmKey
    ball_m: np.ndarray
    face_m: np.ndarray
    paddle: np.ndarray


@dataclass(frozen=True)
class Grip:
    """How the hitting hand holds the paddle.

    Attributes
    ----------
    hold_m
        From the butt end to the middle of the fist.
    turn_rad
        Turn of the front face off the palm about the handle; about 0.1 suits both sides.
    """

    hold_m: float = 0.055
    turn_rad: float = 0.12

    def in_hand(self, figure: Figure) -> np.ndarray:
        """(3, 3) paddle axes in the anatomical hand frame."""
        handle = figure.hitting.handle
        normal = turn_about(handle, np.asarray(self.turn_rad), np.array([0.0, 0.0, 1.0]))
        return np.stack([np.cross(handle, normal), handle, normal], axis=-1)

    def paddle(self, figure: Figure, wrist_m: np.ndarray, hand: np.ndarray):
        """Paddle of (T, 3) wrists and (T, 3, 3) hands: butt places (T, 3) and rotations."""
        rotation = hand @ self.in_hand(figure)
        return figure.palm(wrist_m, hand) - self.hold_m * rotation[..., :, 1], rotation


def face_normal(angle_deg: float, heading_deg: float) -> np.ndarray:
    """(3,) normal with a rise above the horizontal and a heading right of straight ahead."""
    rise, right = np.radians([angle_deg, heading_deg])
    return np.array([np.sin(right) * np.cos(rise), np.cos(right) * np.cos(rise), np.sin(rise)])


def solve_contact(
    figure: Figure,
    chest: Chest,
    *,
    hips_m: np.ndarray,
    normal: np.ndarray,
    side: int,
    dials: Dials,
    shape: Shape,
    grip: Grip,
    paddle: PaddleSpec,
) -> ContactArm:
    """The most comfortable arm that puts the face where the dials want the ball to be hit.

    The paddle's long axis may tip about the face normal and the elbow swing about the line from
    shoulder to wrist; of a grid of both, the pose nearest to the shape's wishes and inside the
    joint limits wins. Height gives way when the place is out of reach.

    Parameters
    ----------
    hips_m
        (3,) middle of the hip joints.
    normal
        (3,) of the hitting face, towards the ball's way out.
    side
        1 for a forehand, −1 for a backhand.
    """
    best: tuple[float, ContactArm] | None = None
    centre, swivel_centre = np.radians(shape.tip_deg), 0.0
    for tip_span, tips, swivel_span, swivels in ((45, 13, 180, 36), (4, 5, 10, 9), (1, 5, 2, 5)):
        tip = centre + np.radians(np.linspace(-tip_span, tip_span, tips))
        swivel = swivel_centre + np.radians(
            np.linspace(-swivel_span, swivel_span, swivels, endpoint=swivel_span < 180)
        )
        grid = [g.ravel() for g in np.meshgrid(tip, swivel, indexing="ij")]
        cost, built = _candidates(
            figure, chest, (hips_m, normal, side), (dials, shape, grip, paddle), *grid
        )
        winner = int(np.argmin(cost))
        centre, swivel_centre = grid[0][winner], grid[1][winner]
        if best is None or cost[winner] < best[0]:
            best = float(cost[winner]), built(winner)
    return best[1]


def _candidates(figure, chest, place, wishes, tip, swivel):
    hips_m, normal, side = place
    dials, shape, grip, paddle = wishes
    across = unit(side * np.cross(normal, [0.0, 0.0, 1.0]))
    upright = unit(np.array([0.0, 0.0, 1.0]) - normal[2] * normal)
    axis = np.cos(tip)[:, None] * across + np.sin(tip)[:, None] * upright
    front = np.broadcast_to(normal * side, axis.shape)
    paddles = np.stack([np.cross(axis, front), axis, front], axis=-1)
    hand = paddles @ grip.in_hand(figure).T
    to_wrist = (
        -paddle.stand_off_m * normal
        - (paddle.face_centre_m[1] - grip.hold_m) * axis
        - hand @ figure.hitting.grip
    )
    first, second = figure.hitting.lengths_m
    bend = np.radians(dials.elbow_bend_deg)
    wanted = np.sqrt(first**2 + second**2 + 2 * first * second * np.cos(bend))
    count = len(tip)
    turned = np.broadcast_to(chest.rotation, (count, 3, 3))
    upper = np.broadcast_to(chest.rotation.T @ unit(np.array([0.5 * side, 0.5, -0.7])), (count, 3))
    for _ in range(4):
        shoulder = figure.shoulder(np.broadcast_to(chest.place_m, (count, 3)), turned, upper)
        ahead = hips_m[1] + dials.contact_front_m + to_wrist[:, 1] - shoulder[:, 1]
        above = dials.contact_height_m + to_wrist[:, 2] - shoulder[:, 2]
        gap = np.hypot(ahead, above)
        reach = np.clip(gap + 0.04, wanted, 0.985 * (first + second))
        fit = np.minimum(1.0, 0.97 * reach / gap)
        ahead, above = ahead * fit, above * fit
        beside = side * np.sqrt(reach**2 - ahead**2 - above**2)
        span = np.stack([beside, ahead, above], axis=-1)
        along = unit(span)
        flat = unit(np.cross(along, [0.0, 0.0, 1.0]))
        out = flat * np.cos(swivel)[:, None] + np.cross(along, flat) * np.sin(swivel)[:, None]
        bones = two_bones(shoulder, shoulder + span, out, figure.hitting.lengths_m)
        upper = bones[0] @ chest.rotation
    angles = wrist_angles(bones[1], bones[2], hand)
    hinge = bones[2] @ chest.rotation
    cost = (
        _discomfort(angles, upper, hinge, shape) + ((tip - np.radians(shape.tip_deg)) / 0.35) ** 2
    )
    cost = cost + 400 * (1 - fit) ** 2
    elbow = np.arccos(np.clip(np.sum(bones[0] * bones[1], -1), -1, 1))

    def built(k: int) -> ContactArm:
        arm = ArmKey(upper[k], hinge[k], np.concatenate([[elbow[k]], angles[k]]))
        ball = shoulder[k] + span[k] - to_wrist[k]
        return ContactArm(arm, ball, ball - paddle.stand_off_m * normal, paddles[k])

    return cost, built


def _discomfort(angles, upper, hinge, shape) -> np.ndarray:
    over = np.maximum(_WRIST_LIMITS[:, 0] + 0.06 - angles, angles - _WRIST_LIMITS[:, 1] + 0.06)
    beyond = np.sum(np.maximum(over, 0.0), axis=-1)
    away = np.sum(((angles - np.radians(shape.wrist_contact)) / _COMFORT_RAD) ** 2, axis=-1)
    twist = np.maximum(humeral_turn(upper, hinge) - _HUMERAL_TURN_RAD, 0.0)
    behind = np.maximum(-upper[:, 1] - 0.5, 0) + np.maximum(-upper[:, 0] - 0.7, 0)
    lifted = np.maximum(upper[:, 2] + 0.2, 0.0) if shape.tip_deg < 45 else 0.0
    return away + 60 * beyond + 20 * twist + 20 * behind + 4 * lifted


def humeral_turn(upper: np.ndarray, hinge: np.ndarray) -> np.ndarray:
    """Turn of the upper arm about itself, radians ≥ 0, from hanging with the elbow axis sideways.

    The neutral elbow axis follows the upper arm by the least rotation from hanging down.
    """
    down = np.array([0.0, 0.0, -1.0])
    axis = np.cross(down, upper)
    sine = np.linalg.norm(axis, axis=-1)
    axis = np.where(sine[..., None] > 1e-9, axis / np.maximum(sine, 1e-9)[..., None], [1.0, 0, 0])
    angle = np.arctan2(sine, upper @ down)
    neutral = turn_about(axis, angle, np.broadcast_to([1.0, 0.0, 0.0], upper.shape))
    return np.arccos(np.clip(np.sum(neutral * hinge, -1), -1, 1))


def load_arm(chest: Chest, *, side: int, dials: Dials, shape: Shape) -> ArmKey:
    """The hitting arm at load: elbow by the dials, forearm and wrist by the shape."""
    high, behind = dials.elbow_height, dials.elbow_behind
    size = np.hypot(high, behind)
    if size > 0.97:
        high, behind = high * 0.97 / size, behind * 0.97 / size
    beside = side * np.sqrt(1 - high**2 - behind**2)
    upper = chest.rotation.T @ np.array([beside, -behind, high])
    forearm = chest.rotation.T @ unit(np.array(shape.forearm_load) * [side, 1, 1])
    return key_of(upper, forearm, shape.wrist_load)


def finish_arm(figure: Figure, shape: Shape) -> ArmKey:
    """The hitting arm at the end of a full follow-through."""
    lengths = figure.hitting.lengths_m
    goal = np.array([shape.finish_wrist]) * sum(lengths)
    bend = np.array([shape.finish_elbow], dtype=float)
    upper, forearm, _ = two_bones(np.zeros((1, 3)), goal, bend, lengths)
    return key_of(upper[0], forearm[0], shape.wrist_finish)


def key_of(upper: np.ndarray, forearm: Vector | np.ndarray, wrist_deg: Wrist) -> ArmKey:
    """An arm from the directions of its bones (chest's axes) and its wrist angles."""
    upper, forearm = unit(np.asarray(upper, float)), unit(np.asarray(forearm, float))
    elbow = np.clip(np.arccos(np.clip(upper @ forearm, -1, 1)), *_ELBOW_RANGE_RAD)
    hinge = unit(np.cross(upper, forearm))
    return ArmKey(upper, hinge, np.array([elbow, *np.radians(wrist_deg)]))


def between(start: ArmKey, end: ArmKey, share: float) -> ArmKey:
    """The arm a share of the way from one key to another (turning evenly, may go beyond 1)."""
    first, last = (frame_of(k.upper, k.hinge) for k in (start, end))
    step = Rotation.from_matrix(first.T @ last).as_rotvec() * share
    turned = first @ Rotation.from_rotvec(step).as_matrix()
    angles = start.angles_rad + share * (end.angles_rad - start.angles_rad)
    return ArmKey(turned[:, 0], turned[:, 1], angles)


def face_from_shoulder(
    figure: Figure, arm: ArmKey, *, grip: Grip, paddle: PaddleSpec
) -> np.ndarray:
    """(3,) middle of the face relative to the hitting shoulder, in the chest's axes."""
    forearm = turn_about(arm.hinge, arm.angles_rad[0], arm.upper)
    angles = (np.array([a]) for a in arm.angles_rad[1:])
    hand = hand_frame(forearm[None], arm.hinge[None], *angles)
    lengths = figure.hitting.lengths_m
    wrist = lengths[0] * arm.upper + lengths[1] * forearm
    butt, rotation = grip.paddle(figure, wrist[None], hand)
    return butt[0] + rotation[0] @ paddle.face_centre_m


def lag_flexion(figure: Figure, lag_deg: float, deviation_rad: float) -> float:
    """Wrist flexion (an extension, radians ≤ 0) at which forearm and handle make an angle.

    From the handle's direction in the hand, turned by deviation and flexion; drawn into the
    joint's range when the angle is out of it.
    """
    thumbward, along, _ = figure.hitting.handle
    cosine = np.cos(np.radians(lag_deg)) - np.sin(deviation_rad) * thumbward
    share = np.clip(cosine / (np.cos(deviation_rad) * along), -1.0, 1.0)
    return float(np.maximum(-np.arccos(share), _WRIST_LIMITS[1, 0] + 0.05))


def arm_rates(
    figure: Figure,
    chest: Chest,
    contact: ContactArm,
    *,
    velocity_mps: np.ndarray,
    roll_radps: float,
    release_radps: float,
    firm_wrist: bool,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Arm speeds at contact that give the face's centre a velocity relative to the chest.

    Parameters
    ----------
    velocity_mps
        (3,) what the arm must add at the face's centre to the chest's own motion.
    roll_radps
        Turning speed about the paddle's long axis that the arm must add.
    release_radps
        Wrist flexion speed that is tried first.
    firm_wrist
        True when forearm and wrist shall give little of it, as in a volley.

    Returns
    -------
    upper_rate, hinge_rate, angle_rates
        (3,), (3,) per second in the chest's axes, and (4,) rad/s.
    """
    arm, turned = contact.arm, chest.rotation
    rows = _contact_rows(figure, chest, contact)
    weights = _RATE_WEIGHTS.copy()
    # An elbow that is nearly straight must come to rest soon and cannot give much speed.
    weights[3] *= np.sin(arm.angles_rad[0]) ** 2
    if firm_wrist:
        weights[4:] *= _FIRM
    first = np.array([0, 0, 0, 0, 0, release_radps, 0], dtype=float)
    spread = weights[:, None] * rows.T
    wanted = np.append(velocity_mps, roll_radps)
    rates = first + spread @ np.linalg.solve(rows @ spread, wanted - rows @ first)
    turning = turned.T @ rates[:3]
    return np.cross(turning, arm.upper), np.cross(turning, arm.hinge), rates[3:]


def _contact_rows(figure: Figure, chest: Chest, contact: ContactArm):
    """(4, 7) velocity and roll of the face for unit speeds of the arm's joints."""
    arm, turned = contact.arm, chest.rotation
    upper, hinge = turned @ arm.upper, turned @ arm.hinge
    forearm = turn_about(hinge, arm.angles_rad[0], upper)
    shoulder = figure.shoulder(chest.place_m[None], turned[None], arm.upper[None])[0]
    elbow = shoulder + figure.hitting.lengths_m[0] * upper
    wrist = elbow + figure.hitting.lengths_m[1] * forearm
    angles = (np.array([a]) for a in arm.angles_rad[1:])
    hand = hand_frame(forearm[None], hinge[None], *angles)[0]
    before_flexion = hand @ Rotation.from_rotvec([-arm.angles_rad[2], 0, 0]).as_matrix()
    axes = [*np.eye(3), hinge, -forearm, hand[:, 0], before_flexion[:, 2]]
    pivots = [shoulder] * 3 + [elbow] + [wrist] * 3
    columns = [np.cross(a, contact.face_m - p) for a, p in zip(axes, pivots, strict=True)]
    step = 1e-5
    for k in range(3):
        moved = arm.upper + step * np.cross(turned.T @ axes[k], arm.upper)
        shifted = figure.shoulder(chest.place_m[None], turned[None], moved[None])[0]
        columns[k] = columns[k] + (shifted - shoulder) / step
    return np.vstack([np.array(columns).T, np.array(axes) @ contact.paddle[:, 1]])

"""A player as a chain of rigid segments: from joint angles to a body's pose.

A figure is always right-handed. A left-handed player is worked out in a mirror (x negated, left
and right swapped) and mirrored back when the pose is made; ``Figure.mirrored`` tells. Figure
axes in rest are x to the right, y forward, z up, so that a figure without any turn faces +y, the
net as seen from the camera's half.

Conventions of the angles, all for a right-handed player: ``yaw`` anticlockwise seen from above,
``pitch`` forward, ``roll`` to the right. Elbow 0 is straight. Pronation is from the handshake
position, palm down positive. Wrist flexion is towards the palm (negative: extension), deviation
towards the little finger (ulnar; negative: radial).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np
from scipy.spatial.transform import Rotation

from paddlebrief.rehearsal.segments import (
    frame_of,
    hand_frame,
    turn,
    turn_about,
    two_bones,
    unit,
)

__all__ = [
    "JOINT_LIMITS_DEG",
    "ArmState",
    "Figure",
    "FigureBody",
    "FootState",
    "Pose",
    "PoseState",
]

JOINT_LIMITS_DEG = {
    "elbow": (0.0, 150.0),
    "pronation": (-85.0, 85.0),
    "wrist_flexion": (-75.0, 80.0),
    "wrist_deviation": (-25.0, 40.0),
    "knee": (0.0, 140.0),
}
"""Ranges of healthy adults (American Academy of Orthopaedic Surgeons' tables, from memory)."""

SOLE_M = 0.02
"""Thickness of a shoe's sole under the bare foot (common practice, no source)."""
_MIRROR = np.diag([-1.0, 1.0, 1.0])
_HEEL_PER_M, _SOFT_M = 9.0, 0.004
_TO_BODY = np.diag([-1.0, -1.0, 1.0])
"""Figure rest axes (right, forward, up) to body rest axes (left, backward, up)."""
_SPINE = ("spine_low", "spine_mid", "spine_high", "chest")


class FigureBody(Protocol):
    """What a figure needs of a body (`paddlebrief.rehearsal.bodies.Body` has it)."""

    joint_names: tuple[str, ...]
    parents: np.ndarray
    rest_joints_m: np.ndarray

    def hand_axes(self, side: str):
        """Where a handle lies in the fist."""

    def grip(self, local_rotations: np.ndarray, side: str, closed=1.0) -> np.ndarray:
        """The rotations with one hand closed round a handle."""


@dataclass(frozen=True)
class ArmState:
    """One arm over time, seen in the chest's axes of a right arm (the left one is mirrored).

    Attributes
    ----------
    upper
        (T, 3) unit direction from shoulder to elbow.
    hinge
        (T, 3) unit axis about which the elbow bends, square to ``upper``.
    angles_rad
        (T, 4) elbow flexion, pronation, wrist flexion, wrist deviation.
    """

    upper: np.ndarray
    hinge: np.ndarray
    angles_rad: np.ndarray


@dataclass(frozen=True)
class FootState:
    """One foot over time: ball of the foot (T, 3) on or over the ground, yaw and pitch (T,) rad.

    Pitch lifts the heel about the ball of the foot.
    """

    ball_m: np.ndarray
    yaw_rad: np.ndarray
    pitch_rad: np.ndarray


@dataclass(frozen=True)
class PoseState:
    """Everything that sets a figure, time first.

    ``pelvis_rad``, ``chest_rad`` and ``head_rad`` are (T, 3) yaw, pitch, roll in the court frame;
    ``pelvis_m`` is (T, 3) the place of the pelvis joint. ``grip_weight`` (T,) is 1 where the other
    hand holds the handle too and 0 where it follows ``other``.
    """

    pelvis_m: np.ndarray
    pelvis_rad: np.ndarray
    chest_rad: np.ndarray
    head_rad: np.ndarray
    hitting: ArmState
    other: ArmState
    right_foot: FootState
    left_foot: FootState
    grip_weight: np.ndarray


@dataclass(frozen=True)
class Pose:
    """A figure's joints (by name) in its own, perhaps mirrored, court frame.

    ``rotations`` are relative to rest in figure axes; ``hand`` is the hitting hand's anatomical
    frame, columns thumb-wards, finger-wards, out of the palm. ``knee_rad`` is (T, 2) right, left.
    """

    positions: dict[str, np.ndarray]
    rotations: dict[str, np.ndarray]
    hand: np.ndarray
    knee_rad: np.ndarray


@dataclass(frozen=True)
class _ArmRest:
    """A right arm in rest (a left one mirrored): offsets from the parent joint and rest frames."""

    clavicle: np.ndarray
    shoulder: np.ndarray
    upper_frame: np.ndarray
    forearm_frame: np.ndarray
    hand_frame: np.ndarray
    grip: np.ndarray
    handle: np.ndarray
    lengths_m: tuple[float, float]


class Figure:
    """The segment chain of one body.

    Parameters
    ----------
    body
        Gives rest joints and hands.
    left_handed
        Works in the mirror when True.
    """

    def __init__(self, body: FigureBody, *, left_handed: bool = False) -> None:
        self.body = body
        self.mirrored = left_handed
        flip = _MIRROR if left_handed else np.eye(3)
        swap = {"left": "right", "right": "left"} if left_handed else {}
        self._names = {name: _swapped(name, swap) for name in body.joint_names}
        self._rest = {
            self._names[name]: flip @ _TO_BODY @ place
            for name, place in zip(body.joint_names, body.rest_joints_m, strict=True)
        }
        self.hitting = self._arm_rest("right", swap, flip)
        self.other = self._arm_rest("left", swap, flip)
        self.stature_m = float(self._rest["head"][2]) * 1.094
        # Eyes and crown lie above the head joint; the share is that of the package's bodies.
        self.leg_length_m = self._length("right_hip", "right_knee", "right_ankle")

    def rest(self, joint: str) -> np.ndarray:
        """(3,) rest place of a joint in figure axes, soles on z = 0."""
        return self._rest[joint]

    def pose(self, state: PoseState) -> Pose:
        """Joints of the figure for (T,) states."""
        positions, rotations = self._trunk(state)
        hand = self._arm("right", state.hitting, positions, rotations)
        self._arm("left", state.other, positions, rotations)
        if np.any(state.grip_weight > 0):
            self._second_hand(state.grip_weight, hand, positions, rotations)
        knees = [
            self._leg("right", state.right_foot, positions, rotations),
            self._leg("left", state.left_foot, positions, rotations),
        ]
        return Pose(positions, rotations, hand, np.stack(knees, axis=-1))

    def body_pose(self, pose: Pose) -> tuple[np.ndarray, np.ndarray]:
        """(T, 3) pelvis place and (T, J, 3, 3) local rotations for the body, in the real court."""
        flip = _MIRROR if self.mirrored else np.eye(3)
        count = len(pose.hand)
        local = np.tile(np.eye(3), (count, len(self.body.joint_names), 1, 1))
        turned: dict[int, np.ndarray] = {}
        for index, name in enumerate(self.body.joint_names):
            parent = int(self.body.parents[index])
            own = pose.rotations.get(self._names[name])
            if own is None:
                turned[index] = turned[parent]
                continue
            turned[index] = flip @ own @ flip @ _TO_BODY
            up = turned[parent] if parent >= 0 else None
            local[:, index] = (
                turned[index] if up is None else np.swapaxes(up, -1, -2) @ turned[index]
            )
        return pose.positions["pelvis"] @ flip, local

    def to_court(self, vectors: np.ndarray) -> np.ndarray:
        """(…, 3) places or directions from the figure's frame to the real court, or back."""
        return vectors @ _MIRROR if self.mirrored else vectors

    def chest_place(
        self, pelvis_m: np.ndarray, pelvis_rad: np.ndarray, chest_rad: np.ndarray
    ) -> np.ndarray:
        """(T, 3) place of the chest joint for (T, 3) pelvis places and trunk angles."""
        positions: dict[str, np.ndarray] = {"pelvis": pelvis_m}
        self._spine(turn(pelvis_rad), turn(chest_rad), positions, {})
        return positions["chest"]

    def shoulder(self, chest_m: np.ndarray, chest: np.ndarray, upper: np.ndarray) -> np.ndarray:
        """(T, 3) hitting shoulder for chest places, rotations and upper-arm directions."""
        arm = self.hitting
        local = arm.clavicle + np.einsum("tij,j->ti", _clavicle(upper), arm.shoulder)
        return chest_m + np.einsum("tij,tj->ti", chest, local)

    def palm(self, wrist_m: np.ndarray, hand: np.ndarray) -> np.ndarray:
        """(T, 3) middle of the handle's part inside the hitting fist."""
        return wrist_m + hand @ self.hitting.grip

    def _length(self, *joints: str) -> float:
        steps = pairwise(joints)
        return float(sum(np.linalg.norm(self._rest[b] - self._rest[a]) for a, b in steps))

    def _arm_rest(self, side: str, swap: Mapping[str, str], flip: np.ndarray) -> _ArmRest:
        to_right = np.eye(3) if side == "right" else _MIRROR
        place = {j: to_right @ self._rest[f"{side}_{j}"] for j in ("clavicle", "shoulder")}
        elbow, wrist = (to_right @ self._rest[f"{side}_{j}"] for j in ("elbow", "wrist"))
        upper, forearm = elbow - place["shoulder"], wrist - elbow
        hinge = np.cross(upper, forearm)
        axes = self.body.hand_axes(swap.get(side, side))
        fingers, palm, handle, centre = (
            to_right @ flip @ _TO_BODY @ v
            for v in (axes.fingers, axes.palm, axes.handle, axes.centre_m)
        )
        hand = np.stack([np.cross(fingers, palm), fingers, palm], axis=-1)
        return _ArmRest(
            clavicle=place["clavicle"] - to_right @ self._rest["chest"],
            shoulder=place["shoulder"] - place["clavicle"],
            upper_frame=frame_of(upper, hinge),
            forearm_frame=frame_of(forearm, hinge),
            hand_frame=hand,
            grip=hand.T @ centre,
            handle=hand.T @ handle,
            lengths_m=(float(np.linalg.norm(upper)), float(np.linalg.norm(forearm))),
        )

    def _trunk(self, state: PoseState) -> tuple[dict, dict]:
        pelvis, chest, head = (turn(a) for a in (state.pelvis_rad, state.chest_rad, state.head_rad))
        positions, rotations = {"pelvis": state.pelvis_m}, {"pelvis": pelvis}
        self._spine(pelvis, chest, positions, rotations)
        nod = Rotation.from_matrix(np.swapaxes(chest, -1, -2) @ head).as_rotvec()
        neck = chest @ Rotation.from_rotvec(nod / 2).as_matrix()
        rotations |= {"neck": neck, "head": head}
        for before, name, up in (("chest", "neck", chest), ("neck", "head", neck)):
            positions[name] = positions[before] + up @ (self._rest[name] - self._rest[before])
        for side in ("right", "left"):
            offset = self._rest[f"{side}_hip"] - self._rest["pelvis"]
            positions[f"{side}_hip"] = state.pelvis_m + pelvis @ offset
        return positions, rotations

    def _spine(self, pelvis, chest, positions: dict, rotations: dict) -> None:
        """Spread the turn from pelvis to chest evenly over the spine's joints."""
        bend = Rotation.from_matrix(np.swapaxes(pelvis, -1, -2) @ chest).as_rotvec()
        up = pelvis
        for share, (before, name) in enumerate(pairwise(("pelvis", *_SPINE)), start=1):
            positions[name] = positions[before] + up @ (self._rest[name] - self._rest[before])
            up = pelvis @ Rotation.from_rotvec(bend * share / len(_SPINE)).as_matrix()
            rotations[name] = up

    def _arm(self, side: str, state: ArmState, positions: dict, rotations: dict) -> np.ndarray:
        flip = np.eye(3) if side == "right" else _MIRROR
        rest = self.hitting if side == "right" else self.other
        chest = flip @ rotations["chest"] @ flip
        base = positions["chest"] @ flip
        clavicle = chest @ _clavicle(state.upper)
        at_clavicle = base + chest @ rest.clavicle
        shoulder = at_clavicle + clavicle @ rest.shoulder
        upper, hinge = (np.einsum("tij,tj->ti", chest, v) for v in (state.upper, state.hinge))
        elbow_angle, *wrist_angles = np.moveaxis(state.angles_rad, -1, 0)
        forearm = turn_about(hinge, elbow_angle, upper)
        elbow = shoulder + rest.lengths_m[0] * upper
        wrist = elbow + rest.lengths_m[1] * forearm
        hand = hand_frame(forearm, hinge, *wrist_angles)
        frames = {
            "clavicle": (at_clavicle, clavicle),
            "shoulder": (shoulder, frame_of(upper, hinge) @ rest.upper_frame.T),
            "elbow": (elbow, frame_of(forearm, hinge) @ rest.forearm_frame.T),
            "wrist": (wrist, hand @ rest.hand_frame.T),
        }
        for joint, (place, rotation) in frames.items():
            positions[f"{side}_{joint}"] = place @ flip
            rotations[f"{side}_{joint}"] = flip @ rotation @ flip
        return flip @ hand

    def _second_hand(self, weight, hand, positions, rotations) -> None:
        """Bring the left hand to the handle, above the hitting hand, by ``weight``."""
        rest = self.other
        handle = hand @ self.hitting.handle
        knob = self.palm(positions["right_wrist"], hand)
        spot = (knob + 0.085 * handle) @ _MIRROR
        # Seen in the mirror, this palm closes on the handle from the far side.
        palm = -hand[..., :, 2] @ _MIRROR
        along = handle @ _MIRROR
        square = np.cross(along, palm)
        own = np.stack([rest.handle, np.cross([0, 0, 1.0], rest.handle), [0, 0, 1.0]], axis=-1)
        held = np.stack([along, -square, palm], axis=-1)
        target = held @ own.T
        now = _MIRROR @ rotations["left_wrist"] @ _MIRROR @ rest.hand_frame
        step = Rotation.from_matrix(target @ np.swapaxes(now, -1, -2)).as_rotvec()
        new = Rotation.from_rotvec(step * weight[:, None]).as_matrix() @ now
        at_wrist = positions["left_wrist"] @ _MIRROR
        goal = spot - target @ rest.grip
        goal = at_wrist + weight[:, None] * (goal - at_wrist)
        shoulder = positions["left_shoulder"] @ _MIRROR
        bend = positions["left_elbow"] @ _MIRROR - (shoulder + at_wrist) / 2
        upper, forearm, hinge = two_bones(shoulder, goal, bend, rest.lengths_m)
        elbow = shoulder + rest.lengths_m[0] * upper
        places = {"elbow": elbow, "wrist": elbow + rest.lengths_m[1] * forearm}
        turns = {
            "shoulder": frame_of(upper, hinge) @ rest.upper_frame.T,
            "elbow": frame_of(forearm, hinge) @ rest.forearm_frame.T,
            "wrist": new @ rest.hand_frame.T,
        }
        for joint, place in places.items():
            positions[f"left_{joint}"] = place @ _MIRROR
        for joint, rotation in turns.items():
            rotations[f"left_{joint}"] = _MIRROR @ rotation @ _MIRROR

    def _leg(self, side: str, foot: FootState, positions: dict, rotations: dict) -> np.ndarray:
        rest = {j: self._rest[f"{side}_{j}"] for j in ("hip", "knee", "ankle", "toes")}
        hip = positions[f"{side}_hip"]
        ankle, rotations[f"{side}_ankle"] = self._foot(side, foot, hip)
        thigh, shank = rest["knee"] - rest["hip"], rest["ankle"] - rest["knee"]
        lengths = (float(np.linalg.norm(thigh)), float(np.linalg.norm(shank)))
        toes = np.stack([-np.sin(foot.yaw_rad), np.cos(foot.yaw_rad), 0 * foot.yaw_rad], -1)
        knees = unit(unit(toes) + rotations["pelvis"][..., :, 1])
        upper, lower, hinge = two_bones(hip, ankle, knees, lengths)
        across = np.array([-1.0, 0.0, 0.0])
        rotations[f"{side}_hip"] = frame_of(upper, hinge) @ frame_of(thigh, across).T
        rotations[f"{side}_knee"] = frame_of(lower, hinge) @ frame_of(shank, across).T
        knee = hip + lengths[0] * upper
        positions[f"{side}_knee"] = knee
        positions[f"{side}_ankle"] = knee + lengths[1] * lower
        return np.arccos(np.clip(np.sum(upper * lower, -1), -1, 1))

    def _foot(self, side: str, foot: FootState, hip: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Ankle and foot rotation; a leg that is stretched out lifts its heel and stays put."""
        lift, pitch = self._rest[f"{side}_ankle"] - self.ball_rest(side), foot.pitch_rad
        for _ in range(3):
            turned = self.foot_rotation(side, FootState(foot.ball_m, foot.yaw_rad, pitch))
            ankle = foot.ball_m + turned @ lift
            over = np.linalg.norm(ankle - hip, axis=-1) - 0.985 * self.leg_length_m
            heel = _HEEL_PER_M * _SOFT_M * np.logaddexp(0.0, over / _SOFT_M)
            pitch = pitch + np.minimum(heel, 0.6)
        return ankle, turned

    def ball_rest(self, side: str) -> np.ndarray:
        """(3,) the ball of the foot in rest: below the toe joint, at the shoe's sole."""
        return self._rest[f"{side}_toes"] * np.array([1.0, 1.0, 0.0]) - [0.0, 0.0, SOLE_M]

    def foot_rotation(self, side: str, foot: FootState) -> np.ndarray:
        """(T, 3, 3) rotation of a foot from rest; yaw 0 points it straight ahead."""
        ahead = self._rest[f"{side}_toes"] - self._rest[f"{side}_ankle"]
        splay = np.arctan2(-ahead[0], ahead[1])
        angles = np.stack([foot.yaw_rad - splay, foot.pitch_rad, 0 * foot.yaw_rad], axis=-1)
        return turn(angles)


def _clavicle(upper: np.ndarray) -> np.ndarray:
    """Shoulder girdle in the chest's axes: it rises and swings along with the upper arm.

    About a third of raising the arm and a little of bringing it forward happen there (shoulder
    rhythm, from memory; the sizes are a guess).
    """
    rise = np.radians(24.0) * ((upper[:, 2] + 1) / 2) ** 2
    forward = np.radians(4.0) * upper[:, 1] - np.radians(2.0) * (upper[:, 0] - 0.3)
    return Rotation.from_euler("ZY", np.stack([forward, -rise], axis=-1)).as_matrix()


def _swapped(name: str, swap: Mapping[str, str]) -> str:
    side, _, joint = name.partition("_")
    return f"{swap.get(side, side)}_{joint}" if joint and side in ("left", "right") else name

"""Rotations and inverse kinematics of rigid segments, in closed form and over time.

Yaw is anticlockwise seen from above, pitch forward, roll to the right, in axes x right,
y forward, z up.
"""

import numpy as np
from scipy.spatial.transform import Rotation

__all__ = [
    "frame_of",
    "hand_frame",
    "turn",
    "turn_about",
    "two_bones",
    "unit",
    "wrist_angles",
]


def unit(vector: np.ndarray) -> np.ndarray:
    """Vectors scaled to length one along the last axis."""
    return vector / np.linalg.norm(vector, axis=-1, keepdims=True)


def turn(angles_rad: np.ndarray) -> np.ndarray:
    """(T, 3) yaw, pitch, roll to (T, 3, 3) rotations: roll and pitch first, then yaw."""
    yaw, pitch, roll = np.moveaxis(np.asarray(angles_rad, float), -1, 0)
    return Rotation.from_euler("ZYX", np.stack([yaw, roll, -pitch], -1)).as_matrix()


def turn_about(axis: np.ndarray, angle_rad: np.ndarray, vector: np.ndarray) -> np.ndarray:
    """Vectors (…, 3) turned about unit axes by angles (…) (Rodrigues' formula)."""
    cos, sin = np.cos(angle_rad)[..., None], np.sin(angle_rad)[..., None]
    along = np.sum(axis * vector, -1, keepdims=True)
    return vector * cos + np.cross(axis, vector) * sin + axis * along * (1 - cos)


def frame_of(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """(…, 3, 3) columns: unit ``first``, ``second`` made square to it, and their cross product."""
    first = unit(first)
    second = unit(second - np.sum(first * second, -1, keepdims=True) * first)
    return np.stack([first, second, np.cross(first, second)], axis=-1)


def two_bones(root, goal, bend, lengths_m):
    """Two-bone inverse kinematics in closed form.

    Parameters
    ----------
    root, goal
        (T, 3) where the chain starts and where it should end; a goal out of reach is drawn in
        along its direction to 99.9 % of the stretched chain.
    bend
        (T, 3) side to which the middle joint points.
    lengths_m
        Lengths of the two bones.

    Returns
    -------
    upper, lower, hinge
        (T, 3) unit directions of the bones and the axis that bends the second off the first.
    """
    first, second = lengths_m
    span = goal - root
    reach = np.linalg.norm(span, axis=-1, keepdims=True)
    along = span / reach
    reach = np.clip(reach, abs(first - second) * 1.001 + 1e-6, 0.999 * (first + second))
    cosine = (first**2 + reach**2 - second**2) / (2 * first * reach)
    side = unit(bend - np.sum(bend * along, -1, keepdims=True) * along)
    upper = along * cosine + side * np.sqrt(np.maximum(1 - cosine**2, 0))
    lower = unit(along * reach - first * upper)
    return upper, lower, unit(np.cross(upper, lower))


def hand_frame(forearm, hinge, pronation, flexion, deviation) -> np.ndarray:
    """(T, 3, 3) anatomical hand frame from forearm direction, elbow axis and wrist angles."""
    neutral = np.stack([np.cross(hinge, forearm), forearm, -hinge], axis=-1)
    angles = np.stack([-pronation, deviation, flexion], axis=-1)
    return neutral @ Rotation.from_euler("YZX", angles).as_matrix()


def wrist_angles(forearm: np.ndarray, hinge: np.ndarray, hand: np.ndarray) -> np.ndarray:
    """(T, 3) pronation, flexion, deviation that give a hand frame; inverse of `hand_frame`."""
    neutral = np.stack([np.cross(hinge, forearm), forearm, -hinge], axis=-1)
    own = np.swapaxes(neutral, -1, -2) @ hand
    deviation = np.arcsin(np.clip(own[..., 1, 0], -1, 1))
    flexion = np.arctan2(-own[..., 1, 2], own[..., 1, 1])
    pronation = np.arctan2(own[..., 2, 0], own[..., 0, 0])
    return np.stack([pronation, flexion, deviation], axis=-1)

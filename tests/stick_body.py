"""A body of sticks for tests of motion: an adult's joints without a mesh, no package needed."""

import numpy as np

from paddlebrief.rehearsal.bodies import Body, HandAxes

_TRUNK = {
    "pelvis": (None, (0.0, 0.0, 0.966)),
    "spine_low": ("pelvis", (0.0, 0.03, 1.056)),
    "spine_mid": ("spine_low", (0.0, 0.021, 1.131)),
    "spine_high": ("spine_mid", (0.0, 0.033, 1.202)),
    "chest": ("spine_high", (0.0, 0.055, 1.330)),
    "neck": ("chest", (0.0, -0.011, 1.544)),
    "head": ("neck", (0.0, -0.045, 1.643)),
}
_LEFT = {
    "clavicle": ("chest", (0.023, -0.022, 1.467)),
    "shoulder": ("clavicle", (0.196, -0.016, 1.438)),
    "elbow": ("shoulder", (0.380, -0.022, 1.230)),
    "wrist": ("elbow", (0.513, -0.208, 1.102)),
    "hip": ("pelvis", (0.120, 0.008, 0.957)),
    "knee": ("hip", (0.154, -0.026, 0.529)),
    "ankle": ("knee", (0.200, -0.003, 0.078)),
    "toes": ("ankle", (0.213, -0.153, 0.030)),
}


class StickBody:
    """Stands in for `Body` where only joints and hands count; the hands do not bend."""

    joints = Body.joints
    joint = Body.joint

    def __init__(self) -> None:
        names, parents, places = [], [], []
        for name, (parent, place) in _TRUNK.items():
            names.append(name)
            parents.append(-1 if parent is None else names.index(parent))
            places.append(place)
        for side, sign in (("left", 1.0), ("right", -1.0)):
            for name, (parent, place) in _LEFT.items():
                names.append(f"{side}_{name}")
                above = parent if parent in _TRUNK else f"{side}_{parent}"
                parents.append(names.index(above))
                places.append((sign * place[0], place[1], place[2]))
        self.joint_names = tuple(names)
        self.parents = np.array(parents)
        self.rest_joints_m = np.array(places)

    def hand_axes(self, side: str) -> HandAxes:
        """An adult's hand in the rest pose."""
        across = np.array([1.0, 1, 1]) if side == "right" else np.array([-1.0, 1, 1])
        fingers = np.array([-0.424, -0.770, -0.477])
        palm = np.array([0.753, -0.006, -0.658])
        fingers = fingers / np.linalg.norm(fingers)
        palm = palm - (palm @ fingers) * fingers
        palm = palm / np.linalg.norm(palm)
        handle = np.array([0.110, -0.985, 0.135])
        handle = handle - (handle @ palm) * palm
        handle = handle / np.linalg.norm(handle)
        centre = np.array([-0.0185, -0.0727, -0.0752])
        return HandAxes(
            centre_m=across * centre,
            handle=across * handle,
            palm=across * palm,
            fingers=across * fingers,
        )

    def grip(self, local_rotations: np.ndarray, side: str, closed=1.0) -> np.ndarray:
        """The same rotations: there are no fingers."""
        return local_rotations

    def landmark(self, name: str, positions: np.ndarray, rotations: np.ndarray) -> np.ndarray:
        """(…, 3) the middle of a fist, ``left_hand`` or ``right_hand``."""
        side = name.removesuffix("_hand")
        wrist = self.joint(f"{side}_wrist")
        return (
            positions[..., wrist, :] + rotations[..., wrist, :, :] @ self.hand_axes(side).centre_m
        )

    def landmarks(self, positions: np.ndarray, rotations: np.ndarray) -> np.ndarray:
        """(…, 33, 3) the head joint 33 times."""
        head = positions[..., self.joint("head"), :]
        return np.repeat(head[..., None, :], 33, axis=-2)

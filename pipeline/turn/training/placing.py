"""The pose network on many pictures: one by one on the processor, or in batches on a card."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from scipy.special import expit

from paddlebrief.pose_net import Crop, Pose, crop_from_axis

__all__ = ["Placer", "card_placer", "jittered", "processor_placer"]

Placer = Callable[[Sequence[np.ndarray], Sequence[Crop]], tuple[list[Pose], np.ndarray]]
"""Poses of BGR pictures (h, w, 3) in crops, and the network's own (n, 33, 3) points in space.

The points are metres from between the hips, x right, y down, z away from the camera, turned
upright with the picture.
"""

_SIDE_PX = 256


def jittered(crop: Crop, rng: np.random.Generator) -> Crop:
    """A crop as unsteady as those that follow a player from frame to frame."""
    return replace(
        crop,
        centre_px=crop.centre_px + rng.normal(0, 0.025, 2) * crop.side_px,
        side_px=crop.side_px * float(np.exp(rng.normal(0, 0.06))),
        turn_rad=crop.turn_rad + float(rng.normal(0, 0.06)),
    )


def card_placer(landmarker: Path, device: str) -> Placer:
    """Runs the landmark network by torch on a graphics card, all crops at a time."""
    from paddlebrief.turn.training.batch_pose import BatchPose

    return _placer(BatchPose(landmarker, device), None)


def processor_placer(landmarker: Path) -> Placer:
    """Runs the landmark network on one processor thread."""
    from ai_edge_litert.interpreter import Interpreter

    interpreter = Interpreter(str(landmarker), num_threads=1)
    interpreter.allocate_tensors()
    into = interpreter.get_input_details()[0]["index"]
    out = {int(np.prod(d["shape"])): d["index"] for d in interpreter.get_output_details()}

    def network(squares: np.ndarray) -> tuple[np.ndarray, ...]:
        interpreter.set_tensor(into, squares.astype(np.float32) / 255)
        interpreter.invoke()
        table, presence, mask, world = (
            interpreter.get_tensor(out[size]) for size in (195, 1, 65536, 117)
        )
        return (
            table.reshape(1, 39, 5), presence[0], mask.reshape(1, _SIDE_PX, _SIDE_PX),
            world.reshape(1, 39, 3),
        )  # fmt: skip

    return _placer(network, 1)


def _placer(network, at_once: int | None) -> Placer:
    def place(pictures: Sequence[np.ndarray], crops: Sequence[Crop]):
        squares = np.stack([_square(p, c) for p, c in zip(pictures, crops, strict=True)])
        poses, spaces = [], []
        step = at_once or len(squares)
        for start in range(0, len(squares), step):
            part = slice(start, start + step)
            for crop, table, presence, mask, world in zip(
                crops[part], *network(squares[part]), strict=True
            ):
                poses.append(_pose(crop, table, presence, mask))
                spaces.append(_upright(world[:33], crop.turn_rad))
        return poses, np.stack(spaces)

    return place


def _square(picture: np.ndarray, crop: Crop) -> np.ndarray:
    matrix = crop.to_crop(_SIDE_PX)
    if np.hypot(*matrix[0, :2]) < 0.5:
        picture = cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        matrix = matrix @ np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1.0]])
    square = cv2.warpAffine(picture, matrix, (_SIDE_PX, _SIDE_PX), flags=cv2.INTER_LINEAR)
    return cv2.cvtColor(square, cv2.COLOR_BGR2RGB)


def _pose(crop: Crop, table: np.ndarray, presence: float, mask: np.ndarray) -> Pose:
    back = cv2.invertAffineTransform(crop.to_crop(_SIDE_PX))
    points = table[:, :2] @ back[:, :2].T + back[:, 2]
    return Pose(
        landmarks_px=points[:33],
        visibility=expit(table[:33, 3]),
        presence=float(presence),
        next_crop=crop_from_axis(points[33], points[34]),
        crop=crop,
        mask=expit(mask),
    )


def _upright(points_m: np.ndarray, turn_rad: float) -> np.ndarray:
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    return points_m @ np.array([[cos, sin, 0], [-sin, cos, 0], [0, 0, 1.0]])

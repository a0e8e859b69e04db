"""Turns of a shaken camera about its middle, and pictures as they would be without them.

A hand or a fence turns a camera far more than it moves it: 0.25° are 4 pixels of a phone's
picture, 1 cm beside something 6 m away is 1.5. A turn shifts the rim of a wide picture half as
much again as its middle, so that shifts alone leave the rim smeared.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.spatial.transform import Rotation
from scipy.stats import trim_mean

from paddlebrief.court.camera import View
from paddlebrief.court.movement import Movement

__all__ = ["Sway", "Turn", "about_middle", "assumed_view", "turn_of", "turned_px", "unturned"]

ASSUMED_FOCAL_SHARE = 0.65  # of the diagonal: 68° across a wide picture, as phones have
ROUNDS = 12
GATE_SCATTERS = 4.0
LEAST_GATE_PX = 0.6
FOLLOWED_PX = 1.5
LEAST_SHARE = 0.3
LEAST_FOLLOWED = 12
CELL_PX = 32
TRIMMED = 0.1


@dataclass(frozen=True, kw_only=True)
class Turn:
    """How a camera turned between two pictures.

    Attributes
    ----------
    turn_rad
        (3,) rotation vector in the camera frame, from the reference to the other picture.
    left_px
        Typical distance (median) of things that stand still from where the turn puts them.
    """

    turn_rad: np.ndarray
    left_px: float


@dataclass(frozen=True, kw_only=True)
class Sway:
    """A camera's turns about its middle at some moments.

    Attributes
    ----------
    time_s
        (n,) presentation times, rising.
    turn_rad
        (n, 3) rotation vectors in the camera frame, applied after the middle's rotation.
    left_px
        Standard uncertainty of a picture's place that remains after the turn is taken off,
        pixels a coordinate.
    """

    time_s: np.ndarray
    turn_rad: np.ndarray
    left_px: float

    def __post_init__(self) -> None:
        if np.shape(self.turn_rad) != (len(self.time_s), 3):
            raise ValueError(
                f"turn_rad: expected shape ({len(self.time_s)}, 3), got {np.shape(self.turn_rad)}"
            )

    def plain(self) -> dict:
        """As JSON-ready values."""
        return {
            "time_s": np.asarray(self.time_s).tolist(),
            "turn_rad": np.asarray(self.turn_rad).tolist(),
            "left_px": self.left_px,
        }

    @classmethod
    def from_plain(cls, plain: dict) -> "Sway":
        """Read what `plain` wrote."""
        return cls(
            time_s=np.array(plain["time_s"], float),
            turn_rad=np.array(plain["turn_rad"], float).reshape(-1, 3),
            left_px=float(plain["left_px"]),
        )


def assumed_view(size_px: tuple[int, int]) -> View:
    """A usual lens, for the first look: its place means nothing."""
    width, height = size_px
    return View(
        focal_px=ASSUMED_FOCAL_SHARE * float(np.hypot(width, height)),
        centre_px=np.array([width - 1, height - 1]) / 2,
        distortion=np.zeros(2),
        rotation=np.eye(3),
        position_m=np.zeros(3),
        size_px=(width, height),
    )


def turn_of(movement: Movement, view: View) -> Turn | None:
    """The turn that explains a movement; None when too little agrees on one.

    Iterated, weighted fit of a rotation to directions: Kabsch, "A solution for the best rotation
    to relate two sets of vectors", Acta Cryst. A32, 1976 (from memory), with Tukey's weights.
    """
    if not len(movement.agreeing):
        return Turn(turn_rad=np.zeros(3), left_px=np.nan)
    before, after = (_directions(view, px) for px in (movement.reference_px, movement.other_px))
    usable = np.isfinite(before + after).all(axis=1)
    before, after = np.nan_to_num(before), np.nan_to_num(after)
    weight = movement.agreeing & usable
    if weight.sum() < LEAST_FOLLOWED:
        return None
    enough = max(LEAST_FOLLOWED, LEAST_SHARE * usable.sum())
    for _ in range(ROUNDS):
        rotation = _rotation(before, after, weight.astype(float))
        off = view.focal_px * np.linalg.norm(before @ rotation.T - after, axis=1)[usable]
        near = off[off < FOLLOWED_PX]
        gate = GATE_SCATTERS * float(np.median(near if len(near) >= enough else off))
        weight = np.zeros(len(usable))
        weight[usable] = (1 - np.minimum(off / max(gate, LEAST_GATE_PX), 1) ** 2) ** 2
    if len(near) < enough:
        return None
    return Turn(
        turn_rad=Rotation.from_matrix(rotation).as_rotvec(), left_px=float(np.median(near))
    )


def _directions(view: View, px: np.ndarray) -> np.ndarray:
    flat = view.flat_direction(px)
    ways = np.concatenate([flat, np.ones_like(flat[..., :1])], axis=-1)
    return ways / np.linalg.norm(ways, axis=-1, keepdims=True)


def _rotation(before: np.ndarray, after: np.ndarray, weight: np.ndarray) -> np.ndarray:
    u, _, vt = np.linalg.svd((after * weight[:, None]).T @ before)
    return u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt


def about_middle(turns_rad: Sequence[np.ndarray]) -> np.ndarray:
    """(n, 3) the same turns about the middle of all, the outermost tenths aside."""
    turns = np.array(turns_rad)
    middle = Rotation.from_rotvec(trim_mean(turns, TRIMMED, axis=0))
    return (Rotation.from_rotvec(turns) * middle.inv()).as_rotvec()


def turned_px(px: np.ndarray, view: View, turn_rad: np.ndarray) -> np.ndarray:
    """(…, 2) pixels after a turn of the camera of what is at (…, 2) pixels before it."""
    flat = view.flat_direction(px)
    ways = np.concatenate([flat, np.ones_like(flat[..., :1])], axis=-1)
    ways = ways @ Rotation.from_rotvec(turn_rad).as_matrix().T
    return view.project(view.position_m + ways @ view.rotation)


def unturned(picture: np.ndarray, view: View, turn_rad: np.ndarray) -> np.ndarray:
    """(h, w, 3) the picture that the camera would have taken without the turn."""
    height, width = picture.shape[:2]
    # The map is smooth: it is worked out in the middles of cells, a cell more on every side.
    x, y = (np.arange(-1, -(-n // CELL_PX) + 1) * CELL_PX + (CELL_PX - 1) / 2
            for n in (width, height))  # fmt: skip
    grid = np.stack(np.meshgrid(x, y), axis=-1)
    shift = np.nan_to_num(turned_px(grid, view, turn_rad) - grid).astype(np.float32)
    whole = cv2.resize(shift, None, fx=CELL_PX, fy=CELL_PX, interpolation=cv2.INTER_LINEAR)
    whole = whole[CELL_PX : CELL_PX + height, CELL_PX : CELL_PX + width]
    at_x = whole[..., 0] + np.arange(width, dtype=np.float32)
    at_y = whole[..., 1] + np.arange(height, dtype=np.float32)[:, None]
    return cv2.remap(picture, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)

"""What the turn network sees of a player: an upright crop of the person alone, and limbs by side.

Training and inference share this module, so that both see the same. The crop is what a camera
at the same place would see that looks straight at the player and stands upright: ``View`` says
how the real camera is held. Frames: camera x right, y down, z forward; the line-of-sight frame
is x right, y away from the camera, both level, z up.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from paddlebrief.pose_net import Crop, Pose
from paddlebrief.records import LANDMARKS

__all__ = [
    "CROP_SIZE_PX",
    "NEIGHBOUR_S",
    "PLANES",
    "SCALARS",
    "Framing",
    "TurnInput",
    "View",
    "body_crop",
    "frame_player",
    "make_input",
]

CROP_SIZE_PX = (160, 224)
"""Width and height of the network's picture."""
PLANES = ("before", "now", "after", "mask", "limbs")
"""Greys before, at and after the frame; the mask; both sides' limbs, right in the upper 4 bits."""
SCALARS = ("view known", "sine of the look down", "half height of the crop over its distance")
NEIGHBOUR_S = 1 / 30
"""Time on court from a frame to its neighbours before and after."""

_ASSUMED_VIEW_DEG = 62.0  # wider side of a phone picture (common practice, no source)
_FILL = (0.86, 0.80)  # share of the crop's width and height that the landmarks' box may take
_OVER_HEAD = 0.09  # from the eyes to above the crown, in heights of the landmarks' box
_SPREAD = 2.5  # greys are kept within this many standard deviations
_LIMBS = {
    side: tuple(
        tuple(LANDMARKS.index(name) for name in (f"{side}_{a}", f"{side}_{b}"))
        for a, b in (
            ("shoulder", "elbow"), ("elbow", "wrist"), ("wrist", "index"), ("hip", "knee"),
            ("knee", "ankle"), ("ankle", "foot_index"), ("ear", "eye"),
        )
    )
    for side in ("left", "right")
}  # fmt: skip
_ENDS = {
    side: tuple(LANDMARKS.index(f"{side}_{joint}") for joint in ("shoulder", "hip"))
    for side in ("left", "right")
}
_SHOULDERS, _HIPS = [11, 12], [23, 24]


@dataclass(frozen=True, kw_only=True)
class View:
    """How the camera is held.

    Attributes
    ----------
    focal_px
        Focal length in pixels of the picture.
    centre_px
        (2,) principal point.
    up
        (3,) unit vector against gravity in the camera frame.
    known
        False when the camera is not solved and the rest is a guess.
    rotation
        (3, 3) from the court frame to the camera frame where the court is solved, else None.
    """

    focal_px: float
    centre_px: np.ndarray
    up: np.ndarray
    known: bool
    rotation: np.ndarray | None = None

    @classmethod
    def assumed(cls, width_px: int, height_px: int) -> "View":
        """A level phone: what is taken where the camera is not solved."""
        half = np.tan(np.radians(_ASSUMED_VIEW_DEG) / 2)
        return cls(
            focal_px=max(width_px, height_px) / 2 / half,
            centre_px=np.array([(width_px - 1) / 2, (height_px - 1) / 2]),
            up=np.array([0.0, -1.0, 0.0]),
            known=False,
        )

    @classmethod
    def solved(cls, *, focal_px: float, centre_px: np.ndarray, rotation: np.ndarray) -> "View":
        """A camera whose (3, 3) rotation from the court frame is known."""
        return cls(
            focal_px=focal_px,
            centre_px=np.asarray(centre_px, float),
            up=np.asarray(rotation, float)[:, 2],
            known=True,
            rotation=np.asarray(rotation, float),
        )

    def towards(self, place_px: np.ndarray) -> np.ndarray:
        """(3, 3) camera frame to the frame of an upright camera that looks at a place."""
        ahead = np.append((np.asarray(place_px, float) - self.centre_px) / self.focal_px, 1.0)
        ahead /= np.linalg.norm(ahead)
        down = -self.up - (-self.up @ ahead) * ahead
        down /= np.linalg.norm(down)
        return np.stack([np.cross(down, ahead), down, ahead])


@dataclass(frozen=True, kw_only=True)
class Framing:
    """Where the network's crop lies.

    Attributes
    ----------
    to_crop
        (3, 3) homography from picture to crop pixels.
    to_sight
        (3, 3) from the camera frame to the line-of-sight frame.
    scalars
        (3,) as ``SCALARS`` says; zeros where the view is only assumed.
    scale
        Crop pixels for one picture pixel at the player.
    """

    to_crop: np.ndarray
    to_sight: np.ndarray
    scalars: np.ndarray
    scale: float


@dataclass(frozen=True, kw_only=True)
class TurnInput:
    """One input of the network: planes (5, 224, 160) uint8 and scalars (3,) float32."""

    planes: np.ndarray
    scalars: np.ndarray


def body_crop(landmarks_px: np.ndarray) -> Crop:
    """The pose network's crop for a body with known (33, 2) landmarks."""
    hips, shoulders = landmarks_px[_HIPS].mean(axis=0), landmarks_px[_SHOULDERS].mean(axis=0)
    axis = shoulders - hips
    reach = np.linalg.norm(landmarks_px - hips, axis=1).max() * 1.12
    return Crop(
        centre_px=hips, side_px=float(2.25 * reach), turn_rad=float(np.arctan2(axis[0], -axis[1]))
    )


def frame_player(landmarks_px: np.ndarray, view: View) -> Framing:
    """Lay the crop round a player.

    Parameters
    ----------
    landmarks_px
        (33, 2) without NaN, in picture pixels.
    view
        How the camera is held.
    """
    middle = (landmarks_px.min(axis=0) + landmarks_px.max(axis=0)) / 2
    turn = view.towards(middle)
    rays = np.column_stack([(landmarks_px - view.centre_px) / view.focal_px, np.ones(33)])
    seen = rays @ turn.T
    flat = seen[:, :2] / np.maximum(seen[:, 2:], 0.05)
    low, high = flat.min(axis=0), flat.max(axis=0)
    low = low - [0.0, _OVER_HEAD * (high - low)[1]]
    zoom = float(np.min(np.array(CROP_SIZE_PX) * _FILL / np.maximum(high - low, 1e-4)))
    shift = np.array(CROP_SIZE_PX) / 2 - zoom * (low + high) / 2
    crop = np.array([[zoom, 0, shift[0]], [0, zoom, shift[1]], [0, 0, 1.0]])
    f, (x, y) = view.focal_px, view.centre_px
    to_ray = np.array([[1 / f, 0, -x / f], [0, 1 / f, -y / f], [0, 0, 1.0]])
    ahead = turn[2]
    look_down = float(-ahead @ view.up)
    scalars = np.array([1.0, look_down, CROP_SIZE_PX[1] / 2 / zoom]) if view.known else np.zeros(3)
    level = ahead + look_down * view.up
    level /= np.linalg.norm(level)
    return Framing(
        to_crop=crop @ turn @ to_ray,
        to_sight=np.stack([np.cross(level, view.up), level, view.up]),
        scalars=scalars,
        scale=zoom / f,
    )


def make_input(
    pictures: Sequence[np.ndarray],
    poses: Sequence[Pose],
    *,
    landmarks_px: np.ndarray,
    framing: Framing,
) -> TurnInput:
    """The network's input for one player in one frame.

    Parameters
    ----------
    pictures
        Three BGR pictures (h, w, 3) before, at and after the frame; give the middle one again
        for a neighbour that is missing.
    poses
        The player's pose in each; only masks and their crops are used.
    landmarks_px
        (33, 2) of the middle picture, left and right settled, without NaN.
    framing
        From ``frame_player`` for the middle picture.
    """
    greys, masks = [], []
    for k, (picture, pose) in enumerate(zip(pictures, poses, strict=True)):
        if k != 1 and picture is pictures[1]:
            greys.append(None)
            masks.append(None)
            continue
        greys.append(_grey(picture, framing))
        masks.append(_mask(pose, framing))
    greys = [greys[1] if g is None else g for g in greys]
    masks = [masks[1] if m is None else m for m in masks]
    weight = np.maximum(masks[1], 1e-6)
    mean = float((greys[1] * weight).sum() / weight.sum())
    spread = float(np.sqrt((weight * (greys[1] - mean) ** 2).sum() / weight.sum()))
    shown = [
        np.clip((g - mean) / (spread + 2.0), -_SPREAD, _SPREAD) / _SPREAD * m
        for g, m in zip(greys, masks, strict=True)
    ]
    planes = [np.round(127.5 + 127.5 * s).astype(np.uint8) for s in shown]
    planes.append(np.round(255 * masks[1]).astype(np.uint8))
    planes.append(_limbs(landmarks_px, framing))
    return TurnInput(planes=np.stack(planes), scalars=framing.scalars.astype(np.float32))


def _grey(picture: np.ndarray, framing: Framing) -> np.ndarray:
    to_crop = framing.to_crop
    width, height = CROP_SIZE_PX
    corners = np.array([[0, 0, 1], [width, 0, 1], [0, height, 1], [width, height, 1.0]])
    back = corners @ np.linalg.inv(to_crop).T
    back = back[:, :2] / back[:, 2:]
    low = np.clip(np.floor(back.min(axis=0)).astype(int) - 2, 0, None)
    high = np.ceil(back.max(axis=0)).astype(int) + 3
    part = picture[low[1] : high[1], low[0] : high[0]]
    if part.size == 0:
        return np.zeros((height, width), np.float32)
    grey = cv2.cvtColor(part, cv2.COLOR_BGR2GRAY)
    to_part = np.array([[1, 0, low[0]], [0, 1, low[1]], [0, 0, 1.0]])
    if framing.scale < 0.67:  # warping samples four pixels: shrink by area first
        size = np.maximum(1, np.round(np.array(grey.shape[::-1]) * framing.scale)).astype(int)
        stretch = np.array(grey.shape[::-1]) / size
        grey = cv2.resize(grey, size.tolist(), interpolation=cv2.INTER_AREA)
        half = (stretch - 1) / 2
        to_part = to_part @ np.array(
            [[stretch[0], 0, half[0]], [0, stretch[1], half[1]], [0, 0, 1.0]]
        )
    return cv2.warpPerspective(
        grey, to_crop @ to_part, CROP_SIZE_PX, flags=cv2.INTER_LINEAR
    ).astype(np.float32)


def _mask(pose: Pose, framing: Framing) -> np.ndarray:
    size = pose.mask.shape[0]
    to_mask = np.vstack([pose.crop.to_crop(size), [0, 0, 1.0]])
    matrix = framing.to_crop @ np.linalg.inv(to_mask)
    return cv2.warpPerspective(pose.mask.astype(np.float32), matrix, CROP_SIZE_PX)


def _limbs(landmarks_px: np.ndarray, framing: Framing) -> np.ndarray:
    points = np.column_stack([landmarks_px, np.ones(33)]) @ framing.to_crop.T
    points = points[:, :2] / points[:, 2:]
    fixed = np.clip(np.round(points * 16), -30000, 30000).astype(int)
    drawn = {}
    for side in ("left", "right"):
        plane = np.zeros(CROP_SIZE_PX[::-1], np.uint8)
        for a, b in _LIMBS[side]:
            ends = fixed[a].tolist(), fixed[b].tolist()
            cv2.line(plane, *ends, 255, thickness=3, lineType=cv2.LINE_AA, shift=4)
        for joint in _ENDS[side]:
            cv2.circle(plane, fixed[joint].tolist(), 5 * 16, 255, -1, cv2.LINE_AA, shift=4)
        drawn[side] = plane
    return (drawn["left"] >> 4) | (drawn["right"] & 0xF0)

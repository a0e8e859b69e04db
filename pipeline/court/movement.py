"""How one picture of still things moved against another."""

from dataclasses import dataclass

import cv2
import numpy as np

__all__ = ["Movement", "movement_between"]

COMPARE_PX = 960
AGREE_SHARE = 0.35  # of the corners that could be followed; people cover and move the others
LEAST_AGREEING = 15
CELL_PX = 80
LEAST_TEXTURE = 5.0  # levels of the levelled picture


@dataclass(frozen=True)
class Movement:
    """How a picture moved against another one.

    Attributes
    ----------
    onto
        (2, 3) map of its pixels onto the other one's.
    size_px
        Root mean square movement of its corners.
    reference_px, other_px
        (n, 2) things followed, in the other picture and in this one; some are people, who move.
    agreeing
        (n,) bool, those that ``onto`` brings together.
    """

    onto: np.ndarray
    size_px: float
    reference_px: np.ndarray
    other_px: np.ndarray
    agreeing: np.ndarray

    @classmethod
    def none(cls) -> "Movement":
        """Of a picture against itself."""
        nothing = np.empty((0, 2))
        return cls(np.eye(2, 3), 0.0, nothing, nothing, np.empty(0, bool))


def movement_between(reference: np.ndarray, other: np.ndarray) -> Movement | None:
    """Movement between two pictures of still things; None when they don't match.

    Lucas & Kanade's tracker from ``reference`` to ``other`` and back; most corners have to agree
    on one turn, shift and scale.
    """
    height, width = reference.shape[:2]
    scale = min(1.0, COMPARE_PX / max(height, width))
    first, second = (_levelled(picture, scale) for picture in (reference, other))
    corners = _corners(first)
    if len(corners) < LEAST_AGREEING:
        return None
    window = {"winSize": (21, 21), "maxLevel": 4}
    there, ok, _ = cv2.calcOpticalFlowPyrLK(first, second, corners, None, **window)
    back, ok_back, _ = cv2.calcOpticalFlowPyrLK(second, first, there, None, **window)
    kept = (ok & ok_back).ravel().astype(bool)
    kept &= np.linalg.norm((back - corners).reshape(-1, 2), axis=1) < 0.7
    if kept.sum() < LEAST_AGREEING:
        return None
    turn, inliers = cv2.estimateAffinePartial2D(
        there[kept], corners[kept], ransacReprojThreshold=1.5
    )
    if turn is None or inliers.sum() < max(LEAST_AGREEING, AGREE_SHARE * kept.sum()):
        return None
    onto = turn.copy()
    onto[:, 2] /= scale
    corner = np.array([[0, 0], [width, 0], [0, height], [width, height]], float)
    moved = corner @ onto[:, :2].T + onto[:, 2] - corner
    return Movement(
        onto=onto,
        size_px=float(np.sqrt(np.mean(np.sum(moved**2, axis=1)))),
        reference_px=_full_size(corners[kept], scale),
        other_px=_full_size(there[kept], scale),
        agreeing=inliers.ravel().astype(bool),
    )


def _full_size(px: np.ndarray, scale: float) -> np.ndarray:
    return (px.reshape(-1, 2).astype(float) + 0.5) / scale - 0.5


def _levelled(picture_bgr: np.ndarray, scale: float) -> np.ndarray:
    """(h, w) uint8 local contrast: exposure and light change between samples, shapes don't."""
    small = cv2.resize(picture_bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    light = np.log(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY).astype(np.float32) + 8)
    local = light - cv2.GaussianBlur(light, (0, 0), 12)
    return np.clip(128 + 160 * local, 0, 255).astype(np.uint8)


def _corners(grey: np.ndarray) -> np.ndarray:
    """(n, 1, 2) float32 corners spread over the picture, so that no thing in it has most."""
    height, width = grey.shape
    found = []
    for top in range(0, height - CELL_PX // 2, CELL_PX):
        for left in range(0, width - CELL_PX // 2, CELL_PX):
            cell = grey[top : top + CELL_PX, left : left + CELL_PX]
            if cell.std() < LEAST_TEXTURE:
                continue
            corners = cv2.goodFeaturesToTrack(cell, 4, 0.1, 10)
            if corners is not None:
                found.append(corners + np.array([left, top], np.float32))
    return np.concatenate(found) if found else np.empty((0, 1, 2), np.float32)

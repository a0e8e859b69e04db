"""Pictures without the people who are known to be there.

Two people side by side or one behind the other are one body to the person detector, and the
landmark network, asked for the one behind, answers with the one in front. Both see the other
person once the known one is painted over with what is around.
"""

from collections.abc import Iterable

import cv2
import numpy as np

__all__ = ["without"]

_EARS, _SHOULDERS, _HIPS = (7, 8), (11, 12), (23, 24)
_LIMBS = (
    (11, 13, 0.21), (13, 15, 0.17), (15, 19, 0.17), (12, 14, 0.21), (14, 16, 0.17),
    (16, 20, 0.17), (23, 25, 0.31), (25, 27, 0.24), (24, 26, 0.31), (26, 28, 0.24),
    (27, 31, 0.2), (28, 32, 0.2), (29, 31, 0.2), (30, 32, 0.2),
)  # fmt: skip
"""Landmarks of each limb and its width in trunk lengths, clothes included (a guess)."""
_TRUNK_WIDE, _NECK_WIDE, _HEAD_RADIUS = 0.45, 0.25, 0.32
_HEAD_UP = 0.15  # middle of the head from the ears on, away from the shoulders
_AROUND = 0.5  # trunk lengths of picture that the paint is mixed from, to either side


def without(picture_bgr: np.ndarray, people: Iterable[np.ndarray]) -> np.ndarray:
    """A copy of a picture (h, w, 3) with people painted over; the picture itself without people.

    Parameters
    ----------
    picture_bgr
        The picture, left as it is.
    people
        Landmarks (33, 2) of each, pixels.
    """
    painted = picture_bgr
    for marks in people:
        if painted is picture_bgr:
            painted = picture_bgr.copy()
        _paint_over(painted, np.asarray(marks, float))
    return painted


def _paint_over(picture: np.ndarray, marks: np.ndarray) -> None:
    shoulders, hips = marks[list(_SHOULDERS)].mean(axis=0), marks[list(_HIPS)].mean(axis=0)
    trunk = float(np.hypot(*(hips - shoulders)))
    room = (_AROUND + _HEAD_RADIUS + _HEAD_UP) * trunk + 2
    low = np.floor(marks.min(axis=0) - room).astype(int).clip(0)
    high = np.ceil(marks.max(axis=0) + room).astype(int).clip(0, picture.shape[1::-1])
    if not trunk > 1 or np.any(high - low < 3):
        return
    part = picture[low[1] : high[1], low[0] : high[0]]
    body = _body(part.shape[:2], marks - low, trunk)
    rest = (1 - body).astype(np.float32)
    size = (2 * max(1, round(_AROUND * trunk)) + 1,) * 2
    mixed = cv2.blur(part.astype(np.float32) * rest[..., None], size)
    weight = cv2.blur(rest, size)[..., None]
    paint = np.where(weight > 1e-3, mixed / np.maximum(weight, 1e-3), 128)
    part[body > 0] = paint[body > 0].astype(np.uint8)


def _body(shape: tuple[int, int], marks: np.ndarray, trunk: float) -> np.ndarray:
    """(h, w) 1 where a body is, drawn round its landmarks; ``trunk`` is its length, pixels."""
    drawn = np.zeros(shape, np.uint8)
    shoulders, hips = marks[list(_SHOULDERS)].mean(axis=0), marks[list(_HIPS)].mean(axis=0)
    ears = marks[list(_EARS)].mean(axis=0)
    corners = marks[[*_SHOULDERS, *reversed(_HIPS)]].round().astype(np.int32)
    cv2.fillConvexPoly(drawn, cv2.convexHull(corners), 1)
    lines = [(shoulders, hips, _TRUNK_WIDE), (shoulders, ears, _NECK_WIDE)]
    lines += [(marks[a], marks[b], wide) for a, b, wide in _LIMBS]
    for a, b, wide in lines:
        start, end = a.round().astype(int).tolist(), b.round().astype(int).tolist()
        cv2.line(drawn, start, end, 1, thickness=max(1, round(wide * trunk)))
    head = ears + _HEAD_UP * (ears - shoulders)
    cv2.circle(drawn, head.round().astype(int).tolist(), max(1, round(_HEAD_RADIUS * trunk)), 1, -1)
    return drawn

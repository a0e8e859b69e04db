"""Contact sheets of what the networks are trained on, labels drawn in."""

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from paddlebrief.eyes.training.pictures import BallSample, PaddleSample

__all__ = ["contact_sheet", "drawn_ball", "drawn_paddle"]

_KIND_COLOURS = ((60, 220, 60), (60, 60, 240), (240, 200, 40))  # front, back, edge-on (BGR)
_POINT_COLOURS = ((255, 0, 255), (255, 160, 0), (0, 255, 255), (255, 255, 255), (0, 128, 255))


def drawn_paddle(sample: PaddleSample, scale: int = 1) -> np.ndarray:
    """The crop with boxes (green front, red back, blue edge-on) and keypoints; hidden ones hollow.

    Keypoints: butt violet, throat blue, tip yellow, left edge white, right edge orange.
    """
    picture = cv2.resize(sample.picture, None, fx=scale, fy=scale)
    for kind, box, points in zip(sample.kinds, sample.boxes, sample.keypoints, strict=True):
        a, b = np.round(box.reshape(2, 2) * scale).astype(int)
        cv2.rectangle(picture, tuple(map(int, a)), tuple(map(int, b)), _KIND_COLOURS[int(kind)], 1)
        for (x, y, seen), colour in zip(points, _POINT_COLOURS, strict=True):
            at = round(x * scale), round(y * scale)
            cv2.circle(picture, at, 2 * scale, colour, -1 if seen else 1)
    return picture


def drawn_ball(sample: BallSample, scale: int = 1) -> np.ndarray:
    """The three frames as colours, with boxes and streaks; a white dot marks the streak's end."""
    picture = cv2.resize(sample.picture, None, fx=scale, fy=scale)
    for box, ends in zip(sample.boxes, sample.ends, strict=True):
        a, b = np.round((box.reshape(2, 2) + np.array([[-2], [2]])) * scale).astype(int)
        cv2.rectangle(picture, tuple(map(int, a)), tuple(map(int, b)), (0, 255, 255), 1)
        start, end = np.round(ends * scale).astype(int)
        cv2.line(picture, tuple(map(int, start)), tuple(map(int, end)), (255, 0, 255), 1)
        cv2.circle(picture, tuple(map(int, end)), 1, (255, 255, 255), -1)
    return picture


def contact_sheet(path: Path, pictures: Sequence[np.ndarray], columns: int) -> None:
    """Write equally large pictures side by side as one PNG."""
    height, width = pictures[0].shape[:2]
    rows = -(-len(pictures) // columns)
    sheet = np.zeros((rows * height, columns * width, 3), np.uint8)
    for k, picture in enumerate(pictures):
        y, x = divmod(k, columns)
        sheet[y * height : (y + 1) * height, x * width : (x + 1) * width] = picture
    cv2.imwrite(str(path), sheet)

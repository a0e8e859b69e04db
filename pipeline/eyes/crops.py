"""Square crops of pictures for the networks, and the way back to picture pixels."""

from dataclasses import dataclass, replace

import cv2
import numpy as np

from paddlebrief.records import LANDMARKS

__all__ = ["Square", "body_height_px", "cut", "hand_px"]


@dataclass(frozen=True, kw_only=True)
class Square:
    """An upright square in a picture: its centre (x, y) and the length of its side, pixels.

    The crop of a ``mirrored`` one shows the picture left for right.
    """

    centre_px: tuple[float, float]
    side_px: float
    mirrored: bool = False

    def turned(self) -> "Square":
        """The same square, seen in a mirror if it was not, and not if it was."""
        return replace(self, mirrored=not self.mirrored)

    def matrix(self, out_px: int) -> np.ndarray:
        """(2, 3) affine map from picture pixels to the pixels of a crop of side ``out_px``.

        Whole numbers are pixel centres on both sides.
        """
        scale = self._scale(out_px)
        shift = (out_px - 1) / 2 - scale * np.asarray(self.centre_px, float)
        return np.array([[scale[0], 0, shift[0]], [0, scale[1], shift[1]]])

    def to_picture(self, points: np.ndarray, out_px: int) -> np.ndarray:
        """(…, 2) picture pixels of (…, 2) crop pixels."""
        offset = np.asarray(points, float) - (out_px - 1) / 2
        return offset / self._scale(out_px) + np.asarray(self.centre_px, float)

    def _scale(self, out_px: int) -> np.ndarray:
        return out_px / self.side_px * np.array([-1.0 if self.mirrored else 1.0, 1.0])


def cut(picture: np.ndarray, square: Square, out_px: int) -> np.ndarray:
    """The (out_px, out_px[, 3]) crop; what lies outside the picture is mid-grey."""
    grey = (114, 114, 114)
    if square.mirrored:
        return np.ascontiguousarray(cut(picture, replace(square, mirrored=False), out_px)[:, ::-1])
    matrix = square.matrix(out_px)
    scale = matrix[0, 0]
    if scale < 0.75:
        # warpAffine looks at four pixels only: shrinking needs an area filter before it.
        half = square.side_px / 2 + 2
        x, y = square.centre_px
        height, width = picture.shape[:2]
        x0, x1 = int(np.clip(x - half, 0, width)), int(np.clip(x + half + 1, 0, width))
        y0, y1 = int(np.clip(y - half, 0, height)), int(np.clip(y + half + 1, 0, height))
        if x1 - x0 > 1 and y1 - y0 > 1:
            size = max(1, round((x1 - x0) * scale)), max(1, round((y1 - y0) * scale))
            picture = cv2.resize(picture[y0:y1, x0:x1], size, interpolation=cv2.INTER_AREA)
            grow = np.array([(x1 - x0) / size[0], (y1 - y0) / size[1]])
            low = np.array([x0, y0], float)
            # Area resizing maps pixel edges: a centre u lies at (u + ½)·grow − ½ + low.
            shift = matrix[:, 2] + scale * (low + (grow - 1) / 2)
            matrix = np.column_stack([np.diag(scale * grow), shift])
    return cv2.warpAffine(
        picture, matrix, (out_px, out_px), flags=cv2.INTER_LINEAR, borderValue=grey
    )


def body_height_px(landmarks_px: np.ndarray) -> np.ndarray:
    """(n,) length of a body in the picture from (n, 33, 2) landmarks, pixels.

    Nose to hips, hips to knees and knees to ankles along the bones, the longer leg taken, and an
    eighth more for the top of the head and the feet (proportions of drawing lessons, no source).
    Foreshortening makes it short: take a high quantile over time. NaN where landmarks are
    missing.
    """
    points = np.asarray(landmarks_px, float)

    def at(name: str) -> np.ndarray:
        return points[:, LANDMARKS.index(name)]

    hips = (at("left_hip") + at("right_hip")) / 2
    trunk = np.linalg.norm(at("nose") - hips, axis=-1)
    legs = [
        np.linalg.norm(at(f"{side}_hip") - at(f"{side}_knee"), axis=-1)
        + np.linalg.norm(at(f"{side}_knee") - at(f"{side}_ankle"), axis=-1)
        for side in ("left", "right")
    ]
    return 1.125 * (trunk + np.maximum(*legs))


def hand_px(landmarks_px: np.ndarray, side: str) -> np.ndarray:
    """(n, 2) middle of a hand from (n, 33, 2) landmarks: of wrist, index and little finger."""
    names = [f"{side}_{part}" for part in ("wrist", "index", "pinky")]
    return np.mean([landmarks_px[:, LANDMARKS.index(n)] for n in names], axis=0)

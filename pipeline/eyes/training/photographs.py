"""Real photographs that ship inside installed packages, as backgrounds and as negatives.

Only pictures whose packages give them freely are taken; packages that are not installed are
passed over, and what was used is written into the recipe's record.
"""

import importlib.util
from pathlib import Path

import cv2
import numpy as np

__all__ = ["Photographs"]

_KNOWN = {
    "skimage": [
        f"data/{name}"
        for name in (
            "astronaut.png", "brick.png", "camera.png", "chelsea.png", "coffee.png", "coins.png",
            "color.png", "grass.png", "gravel.png", "hubble_deep_field.jpg", "motorcycle_left.png",
            "page.png", "retina.jpg", "rocket.jpg",
        )
    ],
    "sklearn": ["datasets/images/china.jpg", "datasets/images/flower.jpg"],
    "ultralytics": ["assets/bus.jpg"],
}  # fmt: skip
_LONGEST_PX = 1280


class Photographs:
    """The photographs that are to hand.

    Attributes
    ----------
    names
        Package and file of each picture that was found.
    """

    def __init__(self) -> None:
        self.names: list[str] = []
        self._pictures: list[np.ndarray] = []
        for package, files in _KNOWN.items():
            spec = importlib.util.find_spec(package)
            if spec is None or spec.origin is None:
                continue
            for file in files:
                picture = cv2.imread(str(Path(spec.origin).parent / file), cv2.IMREAD_COLOR)
                if picture is not None:
                    self.names.append(f"{package}/{file}")
                    self._pictures.append(_fitting(picture))

    def __len__(self) -> int:
        return len(self._pictures)

    def piece(self, size_px: int, rng: np.random.Generator) -> np.ndarray:
        """(size, size, 3) uint8 BGR piece of a photograph, at any scale, perhaps mirrored."""
        picture = self._pictures[int(rng.integers(len(self._pictures)))]
        shortest = min(picture.shape[:2])
        side = int(rng.uniform(min(0.25 * shortest, size_px), shortest))
        top = int(rng.integers(0, picture.shape[0] - side + 1))
        left = int(rng.integers(0, picture.shape[1] - side + 1))
        piece = picture[top : top + side, left : left + side]
        shrink = side > size_px
        piece = cv2.resize(
            piece, (size_px, size_px), interpolation=cv2.INTER_AREA if shrink else cv2.INTER_LINEAR
        )
        return piece[:, ::-1].copy() if rng.uniform() < 0.5 else piece


def _fitting(picture: np.ndarray) -> np.ndarray:
    scale = _LONGEST_PX / max(picture.shape[:2])
    if scale >= 1:
        return picture
    size = round(picture.shape[1] * scale), round(picture.shape[0] * scale)
    return cv2.resize(picture, size, interpolation=cv2.INTER_AREA)

"""What stands behind the player in training pictures: rendered venues and photographs."""

import importlib.util
from pathlib import Path

import cv2
import numpy as np

from paddlebrief.rehearsal.camera import CameraSettings, place_camera
from paddlebrief.rehearsal.drawing import Drawing
from paddlebrief.rehearsal.lens import Lens
from paddlebrief.rehearsal.scene import Exposure, Moments, Scene
from paddlebrief.rehearsal.venue import VenueSettings

__all__ = ["Backgrounds"]

_PHOTOGRAPHS = (
    "astronaut.png", "brick.png", "chelsea.png", "coffee.png", "grass.png", "gravel.png",
    "motorcycle_left.png", "rocket.jpg",
)  # fmt: skip
"""Photographs inside the scikit-image package."""


class Backgrounds:
    """A bank of pictures from which pieces are cut.

    Parameters
    ----------
    drawing
        Draws the venues.
    venues
        How many venues to draw.
    rng
        Chooses them.
    """

    def __init__(self, drawing: Drawing, *, venues: int, rng: np.random.Generator) -> None:
        pictures = [_venue(drawing, rng) for _ in range(venues)]
        self._pictures = [_linear(p) for p in pictures + _photographs()]

    def cut(self, size_px: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
        """(h, w, 3) uint8 RGB in linear light: a piece at some zoom, or colours that run."""
        width, height = size_px
        if rng.uniform() < 0.08:
            corners = rng.integers(2, 200, (2, 2, 3), dtype=np.uint8)
            return cv2.resize(corners, size_px)
        source = self._pictures[rng.integers(len(self._pictures))]
        high, wide = source.shape[:2]
        largest = min(wide / width, high / height)
        share = largest * rng.uniform(0.35, 1.0)
        part_w, part_h = max(8, int(width * share)), max(8, int(height * share))
        x, y = rng.integers(wide - part_w + 1), rng.integers(high - part_h + 1)
        part = source[y : y + part_h, x : x + part_w]
        piece = cv2.resize(part, size_px, interpolation=cv2.INTER_AREA if share > 1 else 1)
        if rng.uniform() < 0.5:
            piece = piece[:, ::-1]
        return cv2.convertScaleAbs(piece, alpha=float(np.exp(rng.normal(0, 0.35))))


def _venue(drawing: Drawing, rng: np.random.Generator) -> np.ndarray:
    settings = CameraSettings(
        place=str(rng.choice(["behind", "side", "corner"])),
        distance_m=float(rng.uniform(1.5, 8)),
        height_m=float(rng.uniform(0.8, 4.0)),
        view_deg=float(rng.uniform(50, 75)),
        width_px=1280,
        height_px=720,
    )
    camera = place_camera(settings)
    scene = Scene(
        drawing,
        camera=camera,
        lens=Lens(camera, shake_deg=0.0),
        venue=VenueSettings(people=0),  # bystanders would need bodies of their own
        cast=(),
        paddles=(),
        seed=int(rng.integers(1 << 30)),
    )
    nobody = Moments(joints=(), balls_m=np.zeros((1, 0, 3)))
    return scene.expose(lambda times: _repeated(nobody, len(times)), Exposure(0.0, 1 / 500))


def _repeated(moments: Moments, count: int) -> Moments:
    return Moments(joints=(), balls_m=np.zeros((count, *moments.balls_m.shape[1:])))


def _photographs() -> list[np.ndarray]:
    found = importlib.util.find_spec("skimage")
    if found is None:
        return []
    folder = Path(found.origin).parent / "data"
    return [cv2.imread(str(folder / n)) for n in _PHOTOGRAPHS if (folder / n).exists()]


def _linear(picture_bgr: np.ndarray) -> np.ndarray:
    """Linear light, uint8 RGB (IEC 61966-2-1), of a BGR picture."""
    table = np.arange(256) / 255
    table = np.where(table <= 0.04045, table / 12.92, ((table + 0.055) / 1.055) ** 2.4)
    return np.round(255 * table).astype(np.uint8)[picture_bgr[..., ::-1]]

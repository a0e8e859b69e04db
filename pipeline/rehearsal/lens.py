"""From the flat picture that is rendered to the picture that a camera records."""

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from paddlebrief.rehearsal.camera import Camera, CameraSettings

__all__ = ["Lens", "Sensor"]

_STEP_PX = 16


class Lens:
    """Bends the flat picture as the camera's lens and shake do.

    The flat picture is a pinhole's with the camera's focal length and attitude; it is wider than
    the camera's picture by what the lens draws in and by ``shake_deg``.

    Attributes
    ----------
    matrix
        (3, 3) intrinsic matrix of the flat picture.
    size_px
        (width, height) of the flat picture.
    """

    def __init__(self, camera: Camera, *, shake_deg: float) -> None:
        self._camera = camera
        width, height = camera.size_px
        x, y = np.arange(0, width + _STEP_PX, _STEP_PX), np.arange(0, height + _STEP_PX, _STEP_PX)
        self._rays = camera.rays(np.stack(np.meshgrid(x, y), axis=-1).astype(float))
        flat = self._rays * camera.focal_px
        # The shake stays within four standard deviations nearly always; beyond it the rim of
        # the flat picture is repeated.
        reach = np.abs(self._rays).max() ** 2 + 1
        margin = 2 + camera.focal_px * reach * np.radians(4 * shake_deg)
        low = np.floor(flat.reshape(-1, 2).min(axis=0) - margin)
        high = np.ceil(flat.reshape(-1, 2).max(axis=0) + margin)
        self.size_px = (int(high[0] - low[0]) + 1, int(high[1] - low[1]) + 1)
        self.matrix = camera.matrix.copy()
        self.matrix[:2, 2] = -low
        self._rise = _interpolation(height, len(y))
        self._run = _interpolation(width, len(x))
        self._still = cv2.convertMaps(*self._maps(None), cv2.CV_16SC2)

    def picture(self, flat: np.ndarray, shake: np.ndarray | None = None) -> np.ndarray:
        """(H, W, 3) uint8 picture from the flat one; ``shake`` (3,) as in ``Camera.project``."""
        maps = self._still if shake is None else self._maps(shake)
        return cv2.remap(flat, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)

    def _maps(self, shake: np.ndarray | None) -> tuple[np.ndarray, np.ndarray]:
        ways = np.concatenate([self._rays, np.ones_like(self._rays[..., :1])], axis=-1)
        if shake is not None:
            ways = ways @ Rotation.from_rotvec(shake).as_matrix()
        flat = ways[..., :2] / ways[..., 2:] * self._camera.focal_px + self.matrix[:2, 2]
        x, y = (self._rise @ flat[..., k] @ self._run.T for k in range(2))
        return x.astype(np.float32), y.astype(np.float32)


def _interpolation(count: int, nodes: int) -> np.ndarray:
    """(count, nodes) weights that interpolate nodes every ``_STEP_PX`` (cubic, Catmull–Rom)."""
    place = np.arange(count) / _STEP_PX
    first = np.clip(np.floor(place).astype(int), 1, nodes - 3)
    t = place - first
    cubic = np.stack(
        [
            -0.5 * t + t**2 - 0.5 * t**3,
            1 - 2.5 * t**2 + 1.5 * t**3,
            0.5 * t + 2 * t**2 - 1.5 * t**3,
            -0.5 * t**2 + 0.5 * t**3,
        ],
        axis=1,
    )
    weights = np.zeros((count, nodes))
    rows = np.arange(count)
    for k in range(4):
        weights[rows, first - 1 + k] += cubic[:, k]
    return weights


class Sensor:
    """Adds the automatic exposure's gain and the pixels' noise."""

    def __init__(self, settings: CameraSettings, seed: int) -> None:
        self._rng = np.random.default_rng([seed, 41])
        shape = (settings.height_px + 96, settings.width_px + 96, 3)
        # A phone's noise is mostly shared by the channels and a little blurred by its own
        # processing (common practice, no source).
        grain = self._rng.normal(size=shape[:2]).astype(np.float32)
        chroma = self._rng.normal(size=shape).astype(np.float32)
        mixed = cv2.GaussianBlur(0.85 * grain[..., None] + 0.5 * chroma, (3, 3), 0.55)
        self._grain = np.round(mixed / mixed.std() * settings.noise).astype(np.int16)

    def record(self, picture: np.ndarray, gain: float) -> np.ndarray:
        """(H, W, 3) uint8 picture with a linear-light gain and fresh noise."""
        height, width = picture.shape[:2]
        top, left = self._rng.integers(0, 96, 2)
        grain = self._grain[top : top + height, left : left + width]
        brighter = cv2.LUT(picture, _gain_table(gain))
        return cv2.add(brighter, grain, dtype=cv2.CV_8U)


def _gain_table(gain: float) -> np.ndarray:
    """(256,) sRGB values after a linear-light gain (IEC 61966-2-1)."""
    value = np.arange(256) / 255
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4) * gain
    back = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.clip(np.round(back * 255), 0, 255).astype(np.uint8)

"""A phone or fence camera: where it stands, how it projects, when its frames are exposed.

World points are in the court frame. The camera frame is x right, y down, z forward; pixels are
x right and y down with whole numbers at pixel centres, as OpenCV has them. Lenses follow Brown's
model in OpenCV's order of coefficients (k1, k2, p1, p2, k3).

The presentation time of a frame is the middle of the exposure of the picture's middle row.
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from scipy.spatial.transform import Rotation

from paddlebrief.rehearsal.court_dimensions import COURT_LENGTH_M, COURT_WIDTH_M

__all__ = ["Camera", "CameraSettings", "Shake", "exposure_gain", "frame_times", "place_camera"]


def _as_fraction(value: object) -> Fraction:
    return Fraction(value).limit_denominator(1001) if isinstance(value, float) else Fraction(value)


Rate = Annotated[Fraction, BeforeValidator(_as_fraction)]


class CameraSettings(BaseModel):
    """The camera of a scenario."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    place: Literal["behind", "side", "corner"] = Field(
        "behind",
        description="behind the near base line, beside the court, or in the near right corner",
    )
    distance_m: float = Field(
        5.0,
        ge=0.5,
        le=40,
        description="from the base line (behind), side line (side) or corner point, metres",
    )
    height_m: float = Field(2.4, ge=0.2, le=15, description="above the ground, metres")
    along_m: float | None = Field(
        None,
        description=(
            "shift along the base line (behind, positive right) or place along the court (side), "
            "metres in the court frame; null picks a usual one"
        ),
    )
    left_side: bool = Field(False, description="use the left side line or corner instead")
    aim_m: tuple[float, float, float] | None = Field(
        None, description="point looked at, court frame, metres; null aims at the near half"
    )
    tilt_deg: float = Field(
        0.0, ge=-45, le=45, description="roll of the camera, positive clockwise, degrees"
    )
    view_deg: float = Field(68.0, ge=20, le=120, description="horizontal angle of view, degrees")
    distortion: tuple[float, float, float, float, float] = Field(
        (-0.06, 0.02, 0.0, 0.0, 0.0),
        description="Brown coefficients k1, k2, p1, p2, k3 (no unit); barrel when k1 < 0",
    )
    width_px: int = Field(1280, ge=160, le=3840, multiple_of=2, description="picture width, pixels")
    height_px: int = Field(720, ge=120, le=3840, multiple_of=2, description="height, pixels")
    frame_rate: Rate = Field(Fraction(60), description="frames taken in a second, per second")
    slow_motion: float = Field(
        1.0, ge=1, le=16, description="playback seconds for a second on court (8: 240 fps at 30)"
    )
    rate_jitter: float = Field(
        0.0,
        ge=0,
        le=1,
        description="unevenness of the frame rate: 0 constant, 1 rough with dropped frames",
    )
    shutter_s: float = Field(1 / 500, gt=0, le=0.05, description="exposure time, seconds")
    readout_s: float = Field(
        0.0, ge=0, le=0.05, description="rolling shutter: first to last row, seconds; 0 is global"
    )
    noise: float = Field(2.0, ge=0, le=30, description="noise of a pixel, of 255 (SD)")
    exposure_drift: float = Field(
        0.04, ge=0, le=0.6, description="slow wandering of the exposure (SD of its logarithm)"
    )
    shake_deg: float = Field(0.0, ge=0, le=3, description="shake about each axis, degrees (SD)")
    crf: int = Field(23, ge=10, le=45, description="H.264 constant rate factor; more is coarser")

    @model_validator(mode="after")
    def _exposure_fits(self) -> "CameraSettings":
        if not 1 <= self.frame_rate <= 480:
            raise ValueError(f"frame_rate: expected 1 to 480 per second, got {self.frame_rate}")
        if self.shutter_s > 1 / self.frame_rate:
            raise ValueError(
                f"shutter_s {self.shutter_s} is longer than a frame at {self.frame_rate} per second"
            )
        return self


@dataclass(frozen=True, kw_only=True)
class Camera:
    """A pinhole with a Brown lens.

    Attributes
    ----------
    position_m
        (3,) in the court frame.
    rotation
        (3, 3) from the court frame to the camera frame.
    focal_px
        Focal length in pixels, the same across and down.
    centre_px
        (2,) principal point.
    distortion
        (5,) k1, k2, p1, p2, k3.
    size_px
        (width, height).
    """

    position_m: np.ndarray
    rotation: np.ndarray
    focal_px: float
    centre_px: np.ndarray
    distortion: np.ndarray
    size_px: tuple[int, int]

    @property
    def matrix(self) -> np.ndarray:
        """(3, 3) intrinsic matrix."""
        f, (cx, cy) = self.focal_px, self.centre_px
        return np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]])

    def in_camera(self, points_m: np.ndarray, shake: np.ndarray | None = None) -> np.ndarray:
        """(…, 3) points in the camera frame, metres; ``shake`` as in ``project``."""
        points = (np.asarray(points_m, dtype=float) - self.position_m) @ self.rotation.T
        if shake is None:
            return points
        turn = Rotation.from_rotvec(shake).as_matrix()
        return (turn @ points[..., None])[..., 0]

    def project(self, points_m: np.ndarray, shake: np.ndarray | None = None) -> np.ndarray:
        """Pixels of points.

        Parameters
        ----------
        points_m
            (…, 3) in the court frame.
        shake
            (3,) rotation vector of the camera's shake in the camera frame, radians (see
            ``Shake``), or an array of them that broadcasts against the points: give
            ``(T, 1, 3)`` for points ``(T, n, 3)``.

        Returns
        -------
        (…, 2)
            NaN for points that are not in front of the camera; points outside the picture keep
            their pixels.
        """
        points = self.in_camera(points_m, shake)
        z = np.where(points[..., 2:] > 1e-6, points[..., 2:], np.nan)
        x, y = np.moveaxis(points[..., :2] / z, -1, 0)
        return self._distorted(x, y) * self.focal_px + self.centre_px

    def rays(self, pixels: np.ndarray) -> np.ndarray:
        """(…, 2) undistorted directions x/z, y/z of (…, 2) pixels, camera frame."""
        wanted = (np.asarray(pixels, dtype=float) - self.centre_px) / self.focal_px
        found = wanted.copy()
        # The lens moves points by a few per cent, so that the plain fixed-point iteration
        # gains a digit or more in each round.
        for _ in range(40):
            found += wanted - self._distorted(found[..., 0], found[..., 1])
        return found

    def _distorted(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        k1, k2, p1, p2, k3 = self.distortion
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        yd = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        return np.stack([xd, yd], axis=-1)

    def row_time_s(self, frame_time_s: np.ndarray, row_px: np.ndarray, readout_s: float):
        """When rows of a frame are exposed (middle of the exposure), seconds."""
        return frame_time_s + (np.asarray(row_px) / (self.size_px[1] - 1) - 0.5) * readout_s


class Shake:
    """Smooth shake of the camera: a rotation vector in the camera frame at any time."""

    def __init__(self, settings: CameraSettings, seed: int) -> None:
        rng = np.random.default_rng([seed, 11])
        # Sway of a hand or a fence: most of it slow, little above 8 Hz (a guess).
        self._rate_hz = rng.uniform(0.3, 1.0, (3, 6)) * np.array([1, 1, 2, 3, 5, 8])
        self._phase = rng.uniform(0, 2 * np.pi, (3, 6))
        size = rng.uniform(0.5, 1.0, (3, 6)) / np.array([1, 1, 1.5, 3, 6, 10])
        size *= np.sqrt(2) / np.linalg.norm(size, axis=1, keepdims=True)
        self._size = size * np.radians(settings.shake_deg)
        self.still = settings.shake_deg == 0

    def at(self, times_s: np.ndarray) -> np.ndarray:
        """(…, 3) rotation vectors, radians, for times of any shape."""
        t = np.asarray(times_s, dtype=float)[..., None, None]
        return np.sum(self._size * np.sin(2 * np.pi * self._rate_hz * t + self._phase), axis=-1)


def exposure_gain(settings: CameraSettings, times_s: np.ndarray, seed: int) -> np.ndarray:
    """Linear-light gain of the automatic exposure at times of any shape, 1 on average."""
    rng = np.random.default_rng([seed, 13])
    rate_hz = rng.uniform(0.02, 0.25, 4)
    phase = rng.uniform(0, 2 * np.pi, 4)
    t = np.asarray(times_s, dtype=float)[..., None]
    wander = np.sin(2 * np.pi * rate_hz * t + phase).sum(axis=-1) / np.sqrt(2)
    return np.exp(settings.exposure_drift * wander)


def frame_times(settings: CameraSettings, length_s: float, seed: int) -> np.ndarray:
    """(T,) presentation times of the frames on court, seconds, rising from half a frame.

    With ``rate_jitter`` the intervals vary by up to 30 % and up to one frame in eight is dropped.
    """
    rng = np.random.default_rng([seed, 17])
    interval = float(1 / settings.frame_rate)
    count = int(np.floor(length_s / interval))
    times = (np.arange(count) + 0.5) * interval
    jitter = settings.rate_jitter
    if jitter == 0:
        return times
    times = times + rng.uniform(-0.3, 0.3, count) * jitter * interval
    kept = rng.uniform(size=count) >= 0.125 * jitter
    kept[:1] = True
    return times[kept]


def place_camera(settings: CameraSettings) -> Camera:
    """The camera that a scenario asks for."""
    half_w, half_l, sign = COURT_WIDTH_M / 2, COURT_LENGTH_M / 2, -1 if settings.left_side else 1
    near = -half_l / 2
    if settings.place == "behind":
        at = (settings.along_m or 0.0, -half_l - settings.distance_m)
        aim = (0.0, near + 1.0, 0.9)
    elif settings.place == "side":
        along = near - 1.6 if settings.along_m is None else settings.along_m
        at = (sign * (half_w + settings.distance_m), along)
        aim = (0.0, along, 0.9)
    else:
        reach = settings.distance_m / np.sqrt(2)
        at = (sign * (half_w + reach), -half_l - reach)
        aim = (-sign * 0.3, near - 0.8, 0.9)
    position = np.array([*at, settings.height_m])
    rotation = _looking(position, np.array(settings.aim_m or aim), np.radians(settings.tilt_deg))
    width, height = settings.width_px, settings.height_px
    return Camera(
        position_m=position,
        rotation=rotation,
        focal_px=width / 2 / np.tan(np.radians(settings.view_deg) / 2),
        centre_px=np.array([(width - 1) / 2, (height - 1) / 2]),
        distortion=np.array(settings.distortion),
        size_px=(width, height),
    )


def _looking(position: np.ndarray, aim: np.ndarray, roll_rad: float) -> np.ndarray:
    forward = (aim - position) / np.linalg.norm(aim - position)
    right = np.cross(forward, [0, 0, 1.0])
    right /= np.linalg.norm(right)
    level = np.stack([right, np.cross(forward, right), forward])
    return Rotation.from_rotvec([0, 0, -roll_rad]).as_matrix() @ level

"""A camera whose place and lens were solved from pictures, with the covariance of both.

World points are in the court frame. The camera frame is x right, y down, z forward; pixels are
x right and y down with whole numbers at pixel centres. The lens is a pinhole with two radial
terms of Brown's model (OpenCV's k1 and k2); OpenCV documentation, "Camera Calibration and 3D
Reconstruction", from memory.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

__all__ = ["PARAMETERS", "SolvedCamera", "View"]

PARAMETERS: tuple[str, ...] = (
    "log_focal", "centre_x_px", "centre_y_px", "k1", "k2",
    "turn_x_rad", "turn_y_rad", "turn_z_rad", "x_m", "y_m", "z_m",
)  # fmt: skip
"""What a camera's covariance is stated in. The turn is a small rotation in the camera frame,
applied after the solved one."""

_NEAREST_M = 0.05
_UNDISTORT_STEPS = 30
_BEYOND_SHARE = 0.08  # of the picture's diagonal


@dataclass(frozen=True, kw_only=True)
class View:
    """A camera without its uncertainty.

    Attributes
    ----------
    focal_px
        Focal length, the same across and down.
    centre_px
        (2,) principal point.
    distortion
        (2,) k1 and k2, no unit; barrel when k1 < 0.
    rotation
        (3, 3) from the court frame to the camera frame.
    position_m
        (3,) in the court frame.
    size_px
        (width, height) of the upright picture.
    """

    focal_px: float
    centre_px: np.ndarray
    distortion: np.ndarray
    rotation: np.ndarray
    position_m: np.ndarray
    size_px: tuple[int, int]

    def project(self, points_m: np.ndarray) -> np.ndarray:
        """(…, 2) pixels of (…, 3) points; NaN behind the camera or beyond the lens model."""
        camera = (np.asarray(points_m, float) - self.position_m) @ self.rotation.T
        z = np.where(camera[..., 2:] > _NEAREST_M, camera[..., 2:], np.nan)
        flat = camera[..., :2] / z
        r2 = np.sum(flat**2, axis=-1, keepdims=True)
        k1, k2 = self.distortion
        # Where the radial polynomial turns back, one pixel would belong to two directions.
        rising = _rises(r2, k1, k2)
        return np.where(rising, flat, np.nan) * (1 + r2 * (k1 + r2 * k2)) * self.focal_px + (
            self.centre_px
        )

    def jacobians(self, points_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """How pixels follow the camera and the points.

        Returns
        -------
        by_camera
            (n, 2, 11) derivatives by `PARAMETERS`.
        by_point
            (n, 2, 3) derivatives by the point's coordinates, pixels a metre.
        """
        camera = (np.asarray(points_m, float) - self.position_m) @ self.rotation.T
        z = camera[:, 2]
        flat = camera[:, :2] / z[:, None]
        r2 = np.sum(flat**2, axis=1)
        k1, k2 = self.distortion
        radial = 1 + r2 * (k1 + r2 * k2)
        slope = 2 * k1 + 4 * k2 * r2
        f = self.focal_px
        outer = flat[:, :, None] * flat[:, None, :]
        by_flat = f * (radial[:, None, None] * np.eye(2) + slope[:, None, None] * outer)
        spread = np.concatenate([np.broadcast_to(np.eye(2), (len(z), 2, 2)), -flat[..., None]], 2)
        by_inner = by_flat @ (spread / z[:, None, None])
        by_point = by_inner @ self.rotation
        by_camera = np.empty((len(z), 2, len(PARAMETERS)))
        by_camera[:, :, 0] = f * radial[:, None] * flat
        by_camera[:, :, 1:3] = np.eye(2)
        by_camera[:, :, 3] = f * r2[:, None] * flat
        by_camera[:, :, 4] = f * (r2**2)[:, None] * flat
        by_camera[:, :, 5:8] = -by_inner @ _cross(camera)
        by_camera[:, :, 8:11] = -by_point
        return by_camera, by_point

    def moved(self, step: np.ndarray) -> "View":
        """The view changed by (11,) differences of `PARAMETERS`."""
        step = np.asarray(step, float)
        return replace(
            self,
            focal_px=float(self.focal_px * np.exp(step[0])),
            centre_px=self.centre_px + step[1:3],
            distortion=self.distortion + step[3:5],
            rotation=Rotation.from_rotvec(step[5:8]).as_matrix() @ self.rotation,
            position_m=self.position_m + step[8:11],
        )

    def scaled(self, factor: float) -> "View":
        """The view of the same picture made ``factor`` times as large."""
        width, height = self.size_px
        return replace(
            self,
            focal_px=self.focal_px * factor,
            # Whole numbers are pixel centres: the picture's edge lies half a pixel outside.
            centre_px=(self.centre_px + 0.5) * factor - 0.5,
            size_px=(round(width * factor), round(height * factor)),
        )

    def shows(self, px: np.ndarray, *, margin_share: float = 0.0) -> np.ndarray:
        """(…) whether (…, 2) pixels lie in the picture, or off it by that share of its diagonal."""
        margin = margin_share * np.hypot(*self.size_px)
        low, high = -0.5 - margin, np.array(self.size_px) - 0.5 + margin
        with np.errstate(invalid="ignore"):
            return np.all((px >= low) & (px <= high), axis=-1)

    def flat_direction(self, px: np.ndarray) -> np.ndarray:
        """(…, 2) undistorted x/z and y/z of (…, 2) pixels; NaN beyond the lens model."""
        wanted = (np.asarray(px, float) - self.centre_px) / self.focal_px
        k1, k2 = self.distortion
        size = np.linalg.norm(wanted, axis=-1, keepdims=True)
        r = size.copy()
        # A wild lens throws the search out to infinity: its pixels stay without a direction.
        with np.errstate(over="ignore", invalid="ignore"):
            for _ in range(_UNDISTORT_STEPS):
                r2 = r * r
                slope = np.maximum(1 + r2 * (3 * k1 + 5 * k2 * r2), 0.05)
                r = np.maximum(r - (r * (1 + r2 * (k1 + r2 * k2)) - size) / slope, 0)
            r2 = r * r
            off = np.abs(r * (1 + r2 * (k1 + r2 * k2)) - size)
            fits = (off < 1e-6 * (1 + size)) & _rises(r2, k1, k2)
        return np.where(fits, wanted * np.divide(r, size, out=np.ones_like(r), where=size > 0),
                        np.nan)  # fmt: skip

    def ray(self, px: np.ndarray) -> np.ndarray:
        """(…, 3) unit directions in the court frame along which (…, 2) pixels look."""
        flat = self.flat_direction(px)
        direction = np.concatenate([flat, np.ones_like(flat[..., :1])], axis=-1) @ self.rotation
        return direction / np.linalg.norm(direction, axis=-1, keepdims=True)


def _rises(r2: np.ndarray, k1: float, k2: float) -> np.ndarray:
    """Whether the radial polynomial still rises at that radius and all the way out to it.

    Its slope is 1 + 3 k1 r² + 5 k2 r⁴, a parabola in r².
    """
    slope_here = 1 + r2 * (3 * k1 + 5 * k2 * r2)
    if k2 > 0 and k1 < 0:
        lowest_at = -3 * k1 / (10 * k2)
        lowest = 1 + lowest_at * (3 * k1 + 5 * k2 * lowest_at)
        if lowest <= 0:
            return (slope_here > 0) & (r2 < lowest_at)
    return slope_here > 0


def _cross(v: np.ndarray) -> np.ndarray:
    """(n, 3, 3) matrices that form the cross product with (n, 3) vectors from the left."""
    x, y, z = v.T
    zero = np.zeros_like(x)
    return np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=-1).reshape(-1, 3, 3)


@dataclass(frozen=True, kw_only=True)
class SolvedCamera:
    """A solved camera: where it stands, how it projects, and how well both are known.

    Attributes
    ----------
    view
        The best estimate.
    covariance
        (11, 11) of `PARAMETERS`, in their units.
    shake_px
        Standard deviation of the picture's own movement within the span, pixels a coordinate;
        it adds to the uncertainty of everything taken from a single frame.
    """

    view: View
    covariance: np.ndarray
    shake_px: float = 0.0

    def __post_init__(self) -> None:
        n = len(PARAMETERS)
        if np.shape(self.covariance) != (n, n):
            raise ValueError(
                f"covariance: expected shape ({n}, {n}), got {np.shape(self.covariance)}"
            )

    @property
    def position_m(self) -> np.ndarray:
        """(3,) place of the camera, court frame."""
        return self.view.position_m

    @property
    def up(self) -> np.ndarray:
        """(3,) the court's upward direction in the camera frame (x right, y down, z forward)."""
        return self.view.rotation[:, 2]

    def project(self, points_m: np.ndarray) -> np.ndarray:
        """(…, 2) pixels of (…, 3) points, court frame; NaN for what is behind the camera."""
        return self.view.project(points_m)

    def project_covariance(self, points_m: np.ndarray) -> np.ndarray:
        """(…, 2, 2) covariance of `project`, square pixels, from the camera and its shake."""
        points = np.asarray(points_m, float)
        by_camera, _ = self.view.jacobians(points.reshape(-1, 3))
        cov = by_camera @ self.covariance @ np.swapaxes(by_camera, 1, 2)
        return (cov + self.shake_px**2 * np.eye(2)).reshape(*points.shape[:-1], 2, 2)

    def ray(self, px: np.ndarray) -> np.ndarray:
        """(…, 3) unit directions in the court frame along which (…, 2) pixels look."""
        return self.view.ray(px)

    def ground(
        self, px: np.ndarray, *, noise_px: float | np.ndarray = 0.0, height_m: float = 0.0
    ) -> tuple[np.ndarray, np.ndarray]:
        """Where pixels meet the ground, or a level plane above it.

        Only what really is at that height may be placed this way: a thing ``h`` above the plane
        seen from height ``H`` at distance ``D`` lands ``D h / (H − h)`` too far. Nor is anything
        placed that lies far outside the picture: there the lens was never seen.

        Parameters
        ----------
        px
            (…, 2) pixels.
        noise_px
            Standard uncertainty of each pixel coordinate, a number or (…).
        height_m
            Height of the plane above the ground.

        Returns
        -------
        place_m
            (…, 2) x and y, court frame; NaN at or above the horizon and for pixels that lie more
            than a twelfth of the picture's diagonal outside it.
        covariance
            (…, 2, 2) square metres, first order, from camera, shake and pixel noise.
        """
        px = np.asarray(px, float)
        px = np.where(self.view.shows(px, margin_share=_BEYOND_SHARE)[..., None], px, np.nan)
        direction = self.ray(px)
        fall = self.position_m[2] - height_m
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = np.where(direction[..., 2] * fall < 0, -fall / direction[..., 2], np.nan)
        place = self.position_m[:2] + reach[..., None] * direction[..., :2]
        level = np.full_like(place[..., :1], height_m)
        points = np.concatenate([place, level], axis=-1).reshape(-1, 3)
        by_camera, by_point = self.view.jacobians(points)
        noise = np.broadcast_to(np.asarray(noise_px, float) ** 2, px.shape[:-1]).reshape(-1)
        in_picture = by_camera @ self.covariance @ np.swapaxes(by_camera, 1, 2)
        in_picture = in_picture + (noise + self.shake_px**2)[:, None, None] * np.eye(2)
        known = np.all(np.isfinite(by_point), axis=(1, 2))
        out = np.full((len(points), 2, 2), np.nan)
        inverse = np.linalg.inv(by_point[known][:, :, :2])
        out[known] = inverse @ in_picture[known] @ np.swapaxes(inverse, 1, 2)
        return place, out.reshape(*px.shape[:-1], 2, 2)

    def drawn(self, count: int, *, seed: int = 0) -> list[View]:
        """Cameras drawn from the covariance, for Monte Carlo propagation.

        Returns
        -------
        list of View
            ``count`` views; the same for the same seed.
        """
        rng = np.random.default_rng(seed)
        values, vectors = np.linalg.eigh(self.covariance)
        steps = rng.standard_normal((count, len(PARAMETERS)))
        steps = steps * np.sqrt(np.maximum(values, 0)) @ vectors.T
        return [self.view.moved(step) for step in steps]

    def turned(self, turn_rad: np.ndarray, *, left_px: float) -> "SolvedCamera":
        """The camera in a single picture of a shaken recording.

        Parameters
        ----------
        turn_rad
            (3,) its turn from this one's place, camera frame.
        left_px
            What that leaves of the shake, in place of ``shake_px``.
        """
        return replace(
            self, view=self.view.moved(np.r_[np.zeros(5), turn_rad, np.zeros(3)]), shake_px=left_px
        )

    def plain(self) -> dict:
        """As JSON-ready values; `from_plain` reads them back exactly."""
        view = self.view
        return {
            "focal_px": view.focal_px,
            "centre_px": view.centre_px.tolist(),
            "distortion": view.distortion.tolist(),
            "rotation": view.rotation.tolist(),
            "position_m": view.position_m.tolist(),
            "size_px": list(view.size_px),
            "covariance": self.covariance.tolist(),
            "shake_px": self.shake_px,
        }

    @classmethod
    def from_plain(cls, plain: dict) -> "SolvedCamera":
        """Read what `plain` wrote.

        Raises
        ------
        KeyError, ValueError
            When a value is missing or of the wrong shape.
        """
        return cls(
            view=View(
                focal_px=float(plain["focal_px"]),
                centre_px=np.array(plain["centre_px"], float),
                distortion=np.array(plain["distortion"], float),
                rotation=np.array(plain["rotation"], float),
                position_m=np.array(plain["position_m"], float),
                size_px=(int(plain["size_px"][0]), int(plain["size_px"][1])),
            ),
            covariance=np.array(plain["covariance"], float),
            shake_px=float(plain["shake_px"]),
        )

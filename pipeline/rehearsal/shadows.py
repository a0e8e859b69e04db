"""A shadow map: the scene's depth seen from the light."""

import contextlib
from collections.abc import Iterator

import numpy as np

from paddlebrief.rehearsal.drawing import Drawing
from paddlebrief.rehearsal.venue import Light

__all__ = ["ShadowMap"]


class ShadowMap:
    """Square depth map along the light's direction.

    Attributes
    ----------
    to_clip
        (4, 4) from the court frame to the map's clip space.
    """

    def __init__(self, drawing: Drawing, side_px: int, *, unit: int) -> None:
        self._drawing, self._side, self._unit = drawing, side_px, unit
        context = drawing.context
        self._depth = context.depth_texture((side_px, side_px))
        self._depth.compare_func = "<="
        self._depth.filter = (context.LINEAR, context.LINEAR)
        self._frame = context.framebuffer(depth_attachment=self._depth)
        self.to_clip = np.eye(4)
        self._extent_m = self._deep_m = 1.0

    @contextlib.contextmanager
    def over(self, points_m: np.ndarray, light: Light) -> Iterator[None]:
        """Aim at the box round (n, 3) points, clear, and bind for drawing casters."""
        across = np.cross(
            [0.0, 1.0, 0.0] if abs(light.towards[1]) < 0.9 else [1.0, 0, 0], light.towards
        )
        across /= np.linalg.norm(across)
        axes = np.stack([across, np.cross(light.towards, across), light.towards])
        corners = np.array(np.meshgrid(*np.stack([points_m.min(0), points_m.max(0)]).T))
        seen = corners.reshape(3, -1).T @ axes.T
        low, high = seen.min(axis=0), seen.max(axis=0)
        # Whole steps keep the map's grid from creeping as the box breathes.
        self._extent_m = np.ceil((high - low)[:2].max() / 0.5) * 0.5
        step = self._extent_m / self._side
        middle = np.round((low + high)[:2] / 2 / step) * step
        self._deep_m = high[2] - low[2] + 12
        scale = np.array([2 / self._extent_m, 2 / self._extent_m, -2 / self._deep_m])
        shift = np.array([*(-middle), -(high[2] + low[2]) / 2])
        self.to_clip = np.eye(4)
        self.to_clip[:3, :3] = axes * scale[:, None]
        self.to_clip[:3, 3] = shift * scale
        self._frame.use()
        self._frame.clear(depth=1.0)
        self._drawing.context.enable_only(self._drawing.context.DEPTH_TEST)
        yield

    def show(self, light: Light, *, still: bool) -> None:
        """Bind the map for the lit programs, of the scenery (``still``) or of what moves."""
        self._depth.use(self._unit)
        spread = max(light.softness_m / self._extent_m, 0.9 / self._side)
        self._drawing.shadows(
            self.to_clip, spread=spread, depth_m=self._deep_m, unit=self._unit, still=still
        )

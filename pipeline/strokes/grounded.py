"""Who can stand where their feet are seen: what is taken for a body in a tree hits no ball."""

import numpy as np

from paddlebrief.body import body_heights_px
from paddlebrief.court import SolvedCamera
from paddlebrief.records import Track

__all__ = ["stands"]

_ANKLE_M = 0.08
_TALL_M = 1.7
_SIZES = (0.4, 1.6)
"""Heights over `_TALL_M` that a body may have: from a small child to the tallest, with room for an
ankle that is misplaced (a guess)."""
_SAMPLES = 60


def stands(track: Track, camera: SolvedCamera | None) -> bool:
    """Whether a followed body can stand on the ground, by its feet and its size.

    Parameters
    ----------
    track
        Of one person, raw or smoothed.
    camera
        Where the court is solved; without one everybody stands.

    Returns
    -------
    bool
        False when most of the ankles that lie in the picture are above the horizon, or when a
        body standing there would be a dwarf or a giant. True where that cannot be told.
    """
    if camera is None:
        return True
    ankles = (track.point("left_ankle") + track.point("right_ankle")) / 2
    inside = np.flatnonzero(np.all((ankles >= 0) & (ankles < camera.view.size_px), axis=1))
    inside = inside[:: max(1, len(inside) // _SAMPLES)]
    if not len(inside):
        return True
    place, _ = camera.ground(ankles[inside], height_m=_ANKLE_M)
    placed = np.isfinite(place).all(axis=1)
    if placed.mean() < 0.5:
        return False
    low, high = (
        camera.project(np.column_stack([place[placed], np.full(placed.sum(), z)]))
        for z in (0.0, _TALL_M)
    )
    sizes = body_heights_px(track)[inside][placed] / np.linalg.norm(high - low, axis=1)
    sizes = sizes[np.isfinite(sizes)]
    return not len(sizes) or bool(_SIZES[0] <= np.median(sizes) <= _SIZES[1])

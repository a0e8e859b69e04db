"""Where people stand, and who can stand where their feet are seen.

What is taken for a body in a tree hits no ball. Of two people behind each other the pose network
gives the front one now and then a foot of the other: no stance is that wide.
"""

import numpy as np

from paddlebrief.body import body_height_px, body_heights_px
from paddlebrief.court import SolvedCamera
from paddlebrief.records import Track

__all__ = ["STOOD_S", "half_of_court", "standing_place", "stands"]

STOOD_S = 3.0
"""Around a moment, to know where a player stands, seconds on court."""

_ANKLE_M = 0.13
"""Height at which the pose network sees the ankles of a shod foot on the ground (see
`turn.standing`, for somebody of usual height)."""
_TALL_M = 1.7
_SIZES = (0.4, 1.6)
"""Heights over `_TALL_M` that a body may have: from a small child to the tallest, with room for an
ankle that is misplaced (a guess)."""
_SAMPLES = 60
_ANKLE_SD_BH = 0.03
"""How far the pose network's ankles are off, body heights; a little above what 73 moments of one
rendered session from the side ask for."""
_WIDEST_STANCE_M = 1.3
"""Between the ankles of a long lunge (a guess)."""
_ONE_FOOT_SD_M = 0.25
"""From one foot to between the feet, in each direction (a guess)."""


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


def standing_place(
    track: Track, camera: SolvedCamera, time_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """Where a player stands at a time, by both ankles or by the one that is the player's own.

    Ankles farther apart than any stance are not one body's: then the one counts that is nearer to
    where the player stood when they were not.

    Parameters
    ----------
    track
        Of one person, smoothed or raw, some seconds around the time.
    camera
        Solved.
    time_s
        Presentation time.

    Returns
    -------
    place_m
        (2,) between the feet, court frame; NaN where the feet are not known.
    covariance
        (2, 2) square metres.
    """
    unknown = np.full(2, np.nan), np.full((2, 2), np.nan)
    ankles = np.stack([track.point("left_ankle"), track.point("right_ankle")], axis=1)
    known = np.isfinite(ankles).all(axis=(1, 2))
    height_px = body_height_px(track) if len(track.time_s) else np.nan
    if not known.any() or not np.isfinite(height_px):
        return unknown
    given = {"noise_px": _ANKLE_SD_BH * height_px, "height_m": _ANKLE_M}
    times, ankles = track.time_s[known], ankles[known]
    feet, _ = camera.ground(ankles, **given)
    wide = np.linalg.norm(feet[:, 0] - feet[:, 1], axis=1)
    nearest = int(np.argmin(np.abs(times - time_s)))
    if not wide[nearest] > _WIDEST_STANCE_M:
        at = [np.interp(time_s, times, ankles.mean(axis=1)[:, k]) for k in (0, 1)]
        return camera.ground(np.array(at), **given)
    sound, middles = wide <= _WIDEST_STANCE_M, feet.mean(axis=1)
    home = np.median(middles[sound], axis=0) if sound.any() else middles[nearest]
    own = int(np.argmin(np.linalg.norm(feet[nearest] - home, axis=1)))
    place, cover = camera.ground(ankles[nearest, own], **given)
    if not sound.any():
        place, cover = home, cover + (wide[nearest] / 2) ** 2 * np.eye(2)
    return place, cover + _ONE_FOOT_SD_M**2 * np.eye(2)


def half_of_court(track: Track, camera: SolvedCamera, time_s: float) -> int:
    """Half of the court in which a player stands, −1 the camera's and 1 the other; 0 where that
    cannot be told by two standard uncertainties. Arguments as for `standing_place`."""
    place, cover = standing_place(track, camera, time_s)
    sure = abs(place[1]) > 2 * np.sqrt(cover[1, 1])
    return int(np.sign(place[1])) if sure else 0

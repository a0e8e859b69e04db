"""Where a player stands and how tall they are: from feet on the ground and the size in the picture.

With a solved court the feet that rest on the ground say how far away the player is, and the size
in the picture then says how tall. Without one, an expected height says how far away.
"""

from dataclasses import dataclass

import numpy as np

from paddlebrief.body import body_height_px
from paddlebrief.court.camera import SolvedCamera, View
from paddlebrief.records import Track
from paddlebrief.turn.inputs import View as Held

__all__ = ["ADULT", "MINOR", "Stance", "Stature", "expected_stature", "eye_of", "stand"]


@dataclass(frozen=True, kw_only=True)
class Stature:
    """A standing height, its standard uncertainty, metres, and where both come from."""

    height_m: float
    sd_m: float
    source: str


ADULT = Stature(height_m=1.70, sd_m=0.10, source="adults of both sexes, common practice, no source")
"""What is expected of a player of whom nothing is known."""
MINOR = Stature(
    height_m=1.50, sd_m=0.16, source="8 to 17 years, WHO growth reference 2007, from memory"
)
"""What is expected of a minor whose height is not on the roster."""
_TOLD_SD_M = 0.02  # people round their height, and shoes add to it (a guess)

_SHARE_SD = 0.035  # how far body heights from segments in the picture are off (see body.py)
_SOLE = {"ankle": 0.075, "heel": 0.048, "foot_index": 0.022}
"""Heights at which the pose network sees parts of a shod foot on the ground, body heights, as
measured on rendered bodies."""
_SOLE_SD_M = 0.025
_PLANTED_MPS = 0.7  # slower feet count as on the ground
_STEP_S = 0.08  # over which a foot's speed is taken
_ONE_FOOT_SD_M, _TWO_FEET_SD_M = 0.20, 0.10  # hips over a planted foot, over the middle of two
_FEWEST_PLANTED = 0.15  # share of frames
_SMOOTH_S = 0.15
_LOOSE_M = 0.04  # how far a frame's distance may leave the smooth one
_ASSUMED_VIEW_SD = 0.03  # of sizes, because lens and tilt of the camera are guesses


def expected_stature(*, height_m: float | None, minor: bool) -> Stature:
    """What is expected of a player by the roster: the height it tells, else that of their age."""
    if height_m is not None:
        return Stature(height_m=height_m, sd_m=_TOLD_SD_M, source="roster")
    return MINOR if minor else ADULT


@dataclass(frozen=True, kw_only=True)
class Stance:
    """Where the middle of the hips is over n frames, by ground or by size.

    Attributes
    ----------
    hips_m
        (n, 3) on the line of sight through the middle of the hips.
    loose_m
        Standard uncertainty of the distance in one frame against the others.
    shared_m2
        (3, 3) covariance of an error that all joints of all frames share.
    sight_rad
        (n,) heading of the line of sight, anticlockwise from x.
    height_px
        Standing height in the picture.
    height_m, height_sd_m
        Standing height.
    scale_sd
        Share by which all lengths may be off together.
    lift_m
        To be added to z so that the ground is at 0.
    """

    hips_m: np.ndarray
    loose_m: float
    shared_m2: np.ndarray
    sight_rad: np.ndarray
    height_px: float
    height_m: float
    height_sd_m: float
    scale_sd: float
    lift_m: float


def eye_of(camera: SolvedCamera | None, size_px: tuple[int, int]) -> View:
    """The solved view, or that of a level phone at the origin: x right, y away, z up."""
    if camera is not None:
        return camera.view
    held = Held.assumed(*size_px)
    return View(
        focal_px=held.focal_px,
        centre_px=held.centre_px,
        distortion=np.zeros(2),
        rotation=np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]]),
        position_m=np.zeros(3),
        size_px=size_px,
    )


def stand(
    track: Track,
    *,
    rows: np.ndarray,
    eye: View,
    camera: SolvedCamera | None,
    stature: Stature,
    placement_error: float,
    slow_factor: float,
) -> Stance | None:
    """Where a player stands in given rows of a track; None when the size cannot be told.

    Parameters are those of ``skeleton.build_path``; ``eye`` is the view of ``eye_of``.
    """
    height_px = body_height_px(track)
    hips_px = _filled((track.point("left_hip") + track.point("right_hip")) / 2)
    if not np.isfinite(height_px) or hips_px is None:
        return None
    ray = eye.ray(hips_px)
    on_ground = None
    if camera is not None:
        noise_px = placement_error * height_px
        on_ground = _reach_by_feet(
            track, ray, camera=camera, height_m=stature.height_m, noise_px=noise_px,
            time_s=track.time_s / slow_factor,
        )  # fmt: skip
    if on_ground is None:
        # The cosine turns a distance along the ray into one along the optical axis.
        cosine = np.median(ray @ eye.rotation[2])
        reach = np.full(len(ray), eye.focal_px * stature.height_m / height_px / cosine)
        share = np.hypot(stature.sd_m / stature.height_m, _SHARE_SD)
        reach_sd, height, height_sd = float(reach[0] * share), stature.height_m, stature.sd_m
    else:
        reach, reach_sd = on_ground
        height, height_sd = _height(
            height_px, eye=eye, hips_m=eye.position_m + reach[:, None] * ray,
            share=reach_sd / np.median(reach), stature=stature,
        )  # fmt: skip
    hips = eye.position_m + reach[:, None] * ray
    ahead = ray[rows].mean(axis=0)
    shared, lift, scale_sd = reach_sd**2 * np.outer(ahead, ahead), 0.0, reach_sd / np.median(reach)
    if camera is None:
        shared, scale_sd = np.zeros((3, 3)), np.hypot(scale_sd, _ASSUMED_VIEW_SD)
        lift = _ground_below(track, hips_px, m_per_px=height / height_px) - np.median(hips[:, 2])
    return Stance(
        hips_m=hips[rows],
        loose_m=_LOOSE_M,
        shared_m2=shared,
        sight_rad=np.unwrap(np.arctan2(ray[rows, 1], ray[rows, 0])),
        height_px=height_px,
        height_m=height,
        height_sd_m=height_sd,
        scale_sd=float(scale_sd),
        lift_m=float(lift),
    )


def _filled(path_px: np.ndarray) -> np.ndarray | None:
    """A path with gaps bridged; None when it has no point."""
    known = np.flatnonzero(np.isfinite(path_px).all(axis=1))
    if not len(known):
        return None
    at = np.arange(len(path_px))
    return np.stack([np.interp(at, known, path_px[known, axis]) for axis in (0, 1)], axis=1)


def _height(
    height_px: float, *, eye: View, hips_m: np.ndarray, share: float, stature: Stature
) -> tuple[float, float]:
    """Standing height and its uncertainty, from the size in the picture and what was expected."""
    _, by_point = eye.jacobians(hips_m)
    by_size = height_px / float(np.median(np.linalg.norm(by_point[:, :, 2], axis=1)))
    weights = np.array([(by_size * np.hypot(_SHARE_SD, share)) ** -2, stature.sd_m**-2])
    height = weights @ [by_size, stature.height_m] / weights.sum()
    return float(height), float(weights.sum() ** -0.5)


def _ground_below(track: Track, hips_px: np.ndarray, *, m_per_px: float) -> float:
    """Height of the hips over the ground, metres, from the lowest foot."""
    names = [f"{side}_{part}" for side in ("left", "right") for part in ("heel", "foot_index")]
    drop = np.stack([track.point(n)[:, 1] - hips_px[:, 1] for n in names], axis=1)
    lowest = np.where(np.isfinite(drop), drop, -np.inf).max(axis=1)
    known = lowest[np.isfinite(lowest)]
    return float(np.median(known) * m_per_px) if len(known) else 0.0


def _reach_by_feet(
    track: Track,
    ray: np.ndarray,
    *,
    camera: SolvedCamera,
    height_m: float,
    noise_px: float,
    time_s: np.ndarray,
) -> tuple[np.ndarray, float] | None:
    """(n,) distances of the hips along their rays and the standard uncertainty of all of them;
    None when feet are hardly ever seen at rest."""
    level = np.linalg.norm(ray[:, :2], axis=1)
    ahead = ray[:, :2] / level[:, None]
    away, doubt = [], []
    for side in ("left", "right"):
        place, var = _foot(track, side, ahead, camera=camera, height_m=height_m, noise_px=noise_px)
        planted = _speed(place, time_s) < _PLANTED_MPS
        along = np.einsum("ni,ni->n", place - camera.position_m[:2], ahead)
        away.append(np.where(planted, along, np.nan))
        doubt.append(np.where(planted, var, np.nan))
    count = np.isfinite(away).sum(axis=0)
    if np.mean(count > 0) < _FEWEST_PLANTED:
        return None
    known = count > 0
    total = np.nansum(away, axis=0)[known] / count[known]
    stance = np.where(count[known] == 2, _TWO_FEET_SD_M, _ONE_FOOT_SD_M) ** 2
    var = np.nansum(doubt, axis=0)[known] / count[known] + stance
    near = np.exp(-0.5 * ((time_s[:, None] - time_s[known]) / _SMOOTH_S) ** 2) + 1e-12
    weight = near / var
    smooth = weight @ total / weight.sum(axis=1)
    # Stance and sole are off alike in all frames: averaging does not help.
    return smooth / level, float(np.sqrt(np.median(var)) / np.median(level))


def _foot(
    track: Track, side: str, ahead: np.ndarray, *, camera: SolvedCamera, height_m: float,
    noise_px: float,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """(n, 2) place of a foot as if on the ground, and (n,) variance along the line of sight."""
    places, spread = [], []
    for part, share in _SOLE.items():
        place, cover = camera.ground(
            track.point(f"{side}_{part}"), noise_px=noise_px, height_m=share * height_m
        )
        away = np.linalg.norm(place - camera.position_m[:2], axis=1)
        sole = (_SOLE_SD_M * away / camera.position_m[2]) ** 2
        places.append(place)
        spread.append(np.einsum("ni,nij,nj->n", ahead, cover, ahead) + sole)
    return np.mean(places, axis=0), np.mean(spread, axis=0)


def _speed(place_m: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    """(n,) speed over a few hundredths of a second; infinite where unknown."""
    known = np.flatnonzero(np.isfinite(place_m).all(axis=1))
    if len(known) < 2:
        return np.full(len(place_m), np.inf)
    ends = [
        np.stack([np.interp(time_s + h, time_s[known], place_m[known, k]) for k in (0, 1)], axis=1)
        for h in (-_STEP_S / 2, _STEP_S / 2)
    ]
    speed = np.linalg.norm(ends[1] - ends[0], axis=1) / _STEP_S
    return np.where(np.isfinite(place_m).all(axis=1), speed, np.inf)

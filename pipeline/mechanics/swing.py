"""What the body tells the paddle's measures: how far the hand is, how forearm and trunk move."""

import numpy as np

from paddlebrief.court import SolvedCamera
from paddlebrief.eyes import PADDLE_POINTS
from paddlebrief.mechanics.body_view import BodyView
from paddlebrief.mechanics.paddle import TrunkMotion
from paddlebrief.paddle import (
    BallAtHit,
    Forearm,
    HandDistance,
    PaddlePose,
    PaddleSettings,
    PaddleSize,
    PaddleTrack,
    Striking,
    assumed_camera,
    face_middle_px,
    paddle_pose,
)
from paddlebrief.paddle.turning import log
from paddlebrief.records import FootageInfo, Stroke
from paddlebrief.turn.net import SEGMENTS
from paddlebrief.turn.skeleton import BodyPath
from paddlebrief.turn.standing import eye_of

__all__ = ["face_at_contact_px", "hitting_forearm", "paddle_motion", "trunk_motion"]

_WANDER_M = 0.12  # of the wrist's distance within a stroke, on top of what all frames share
_TRUNK_HALF_S = 0.04  # trunk motion at contact is taken over this long on either side
_TRUNK_ALIKE = 0.5  # what is left of a joint's error in a difference over that time
_NEAR_CONTACT_S = 0.05
_FACE_SHARE = 0.2  # the ball meets the face within about this share of its length


def paddle_motion(
    seen: PaddleTrack,
    body: BodyView,
    *,
    camera: SolvedCamera | None,
    info: FootageInfo,
    forehand: bool | None,
    size: PaddleSize | None,
    ball: BallAtHit | None,
    settings: PaddleSettings,
) -> PaddlePose | None:
    """The paddle's motion through a stroke, with the hand where the body path has it.

    Parameters
    ----------
    seen
        The paddle frame by frame; presentation times.
    body
        The stroke's body with its path.
    camera
        Where the court is solved.
    info
        The recording.
    forehand
        Side of the stroke; None when not sure.
    size
        Of the player's paddle; None for any paddle.
    ball
        The ball before and after the hit, which tells where the face pointed; None where it was
        not seen on both sides of it.
    settings
        How freely a paddle moves.

    Returns
    -------
    PaddlePose or None
        None without a body path, or when the paddle was hardly seen.
    """
    if body.path is None or not len(seen.time_s):
        return None
    picture = (info.width_px, info.height_px)
    times = seen.time_s / info.slow_factor
    solved = camera is not None
    return paddle_pose(
        seen,
        Striking(
            contact_s=body.stroke.contact_s,
            contact_s_sd=body.stroke.contact_s_sd,
            forehand=forehand,
            facing=body.facing if solved else 0,
            hand=body.stroke.hand,
            ball=ball if solved else None,
        ),
        camera=camera if solved else assumed_camera(picture),
        solved=solved,
        distance=_hand_distance(body.path, times, camera, picture),
        forearm=hitting_forearm(body, times),
        size=size,
        slow_factor=info.slow_factor,
        settings=settings,
    )


def _hand_distance(
    path: BodyPath, times_s: np.ndarray, camera: SolvedCamera | None, picture: tuple[int, int]
) -> HandDistance:
    eye = eye_of(camera, picture).position_m
    if camera is None:
        eye = eye + np.array([0.0, 0.0, path.lift_m])
    metres, sds = np.full(len(times_s), np.nan), np.full(len(times_s), np.nan)
    for k, time in enumerate(times_s):
        wrist, cover = path.at({"wrist": 1.0}, time)
        away = wrist - eye
        metres[k] = np.linalg.norm(away)
        sds[k] = np.sqrt(away @ cover @ away) / metres[k]
    known = np.isfinite(metres)
    if not known.any():
        # the path ends before the paddle's frames begin: the nearest place of the wrist
        metres[:] = np.linalg.norm(path.joint("wrist")[-1] - eye)
        return HandDistance(metres=metres, sd_m=0.5)
    filled = np.interp(times_s, times_s[known], metres[known])
    sd = float(np.hypot(np.median(sds[known]), path.scale_sd * np.median(filled)))
    return HandDistance(metres=filled, sd_m=sd, wander_m=_WANDER_M)


def hitting_forearm(body: BodyView, times_s: np.ndarray) -> Forearm:
    """The hitting forearm along the path, no surer than the turn network alone is of it.

    That network sees the landmarks, and where an arm is thrown both are wrong together: that
    they agree proves little.

    Parameters
    ----------
    body
        With turns and a path.
    times_s
        (n,) seconds on court.

    Returns
    -------
    Forearm
        In the frame of the path; NaN at times outside it.
    """
    segment = SEGMENTS.index(f"{body.stroke.hand.value} forearm")
    read_sd = np.interp(times_s, body.turns.time_s, body.turns.direction_sd_rad[:, segment])
    direction, sd = np.full((len(times_s), 3), np.nan), np.full(len(times_s), np.nan)
    for k, time in enumerate(times_s):
        way, cover = body.path.at({"wrist": 1.0, "elbow": -1.0}, time)
        length = np.linalg.norm(way)
        unit = way / length
        direction[k] = unit
        across = max(np.trace(cover) - unit @ cover @ unit, 0.0) / 2
        sd[k] = max(np.sqrt(across) / length, read_sd[k])
    return Forearm(direction=direction, sd_rad=sd)


def trunk_motion(body: BodyView) -> TrunkMotion | None:
    """How the trunk turns and travels at contact; None where the path does not reach it."""
    if body.path is None:
        return None
    at, half = body.contact_s, _TRUNK_HALF_S
    before, now, after = (_trunk(body.path, at + step) for step in (-half, 0.0, half))
    if not all(np.isfinite(middle).all() for _, middle, _, _ in (before, now, after)):
        return None
    frame_sd = np.median([axis_sd for _, _, axis_sd, _ in (before, now, after)])
    middle_sd = now[3]
    spread = _TRUNK_ALIKE / (2 * half)
    return TrunkMotion(
        spin_radps=log((after[0] @ before[0].T)[None])[0] / (2 * half),
        spin_sd_radps=float(frame_sd * spread),
        middle_m=now[1],
        middle_sd_m=middle_sd,
        middle_mps=(after[1] - before[1]) / (2 * half),
        middle_sd_mps=float(middle_sd * spread),
    )


def _trunk(path: BodyPath, time_s: float) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Axes (3, 3) across, ahead, up; middle of the shoulders; and how uncertain both are."""
    across, across_cover = path.at({"right_shoulder": 1.0, "left_shoulder": -1.0}, time_s)
    middle, _ = path.at({"right_shoulder": 0.5, "left_shoulder": 0.5}, time_s)
    up, up_cover = path.at({"right_shoulder": 0.5, "left_shoulder": 0.5, "hips": -1.0}, time_s)
    axis_sd = float(np.sqrt(np.trace(across_cover) / 3) / np.linalg.norm(across))
    across = across / np.linalg.norm(across)
    ahead = np.cross(up, across)
    ahead = ahead / np.linalg.norm(ahead)
    axes = np.stack([across, ahead, np.cross(across, ahead)], axis=-1)
    return axes, middle, axis_sd, float(np.sqrt(np.trace(up_cover) / 3))


def face_at_contact_px(
    pose: PaddlePose | None, seen: PaddleTrack | None, stroke: Stroke
) -> tuple[np.ndarray, float] | None:
    """Where the middle of the face is in the picture at contact, and its standard uncertainty.

    The face is taken between the nearest sightings before and after the contact; None when
    there is none within 50 ms, or the paddle's motion could not be fitted.
    """
    if pose is None or seen is None:
        return None
    throat, tip = (PADDLE_POINTS.index(n) for n in ("throat", "tip"))
    middle = face_middle_px(seen)
    near = seen.seen & (np.abs(seen.time_s - stroke.contact_s) <= _NEAR_CONTACT_S)
    if not near.any():
        return None
    length = np.linalg.norm(seen.points_px[near, tip] - seen.points_px[near, throat], axis=1)
    place = [np.interp(stroke.contact_s, seen.time_s[near], middle[near, k]) for k in (0, 1)]
    return np.array(place), float(max(_FACE_SHARE * np.median(length), 2.0))

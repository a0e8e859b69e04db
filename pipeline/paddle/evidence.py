"""What a paddle's motion is fitted to, gathered from what was seen and what else is known."""

import numpy as np

from paddlebrief.court.camera import SolvedCamera
from paddlebrief.paddle.motion import Evidence
from paddlebrief.paddle.records import Forearm, HandDistance, PaddleTrack
from paddlebrief.paddle.settings import PaddleSettings
from paddlebrief.paddle.size import PaddleSize
from paddlebrief.paddle.struck_ball import StruckBall
from paddlebrief.records import Handedness

__all__ = ["gather_evidence"]

_TURNOVER_HALF_S = 0.030  # the motion has instants there, between which the roll is taken
_SLOW_TIE_S = 0.15  # over which errors of the hand's distance look alike
_SWUNG_S, _SWUNG_HALF_S = -0.03, 0.07  # when it is swung: rendered strokes, and as wide again
_STRAY_COST, _STRAY_BY_SCORE = 5.0, 7.0  # of what is no part of the paddle: 1 % of rendered frames
_HAND_SD_M = 0.05  # of the landmarks' hand against the middle of the grip


def gather_evidence(
    track: PaddleTrack,
    rows: np.ndarray,
    time_s: np.ndarray,
    *,
    hand: Handedness | None,
    camera: SolvedCamera,
    distance: HandDistance,
    forearm: Forearm | None,
    struck: StruckBall | None,
    size: PaddleSize,
    settings: PaddleSettings,
) -> Evidence:
    """Evidence of some frames round a contact.

    Parameters
    ----------
    track, rows
        What was seen, and the frames of it that count.
    time_s
        (n,) seconds on court from contact of all frames of the track.
    hand
        The hand that holds the paddle; None not known.
    camera, distance, forearm, size, settings
        As for ``paddle_pose``.
    struck
        The ball in the camera frame; None where it or the face that hit it is not known.
    """
    view, frames = camera.view, time_s[rows]
    extra = np.array([-_TURNOVER_HALF_S, 0.0, 0.0, _TURNOVER_HALF_S])
    nodes = np.concatenate([frames, extra])
    order = np.argsort(nodes, kind="stable")
    number = np.empty(len(nodes), int)
    number[order] = np.arange(len(nodes))
    interval = float(np.median(np.diff(time_s)))
    crowd = np.sqrt(max(settings.noise_s / interval, 1.0))
    flat, hand_flat = (
        view.flat_direction(track.points_px[rows]),
        view.flat_direction(track.hand_px[rows]),
    )
    sd = track.sd_px[rows] * settings.noise_scale / view.focal_px
    metres = np.broadcast_to(np.asarray(distance.metres, float), len(track))[rows]
    depth = metres / np.sqrt(1 + np.sum(hand_flat**2, axis=1))
    wander = distance.wander_m * np.sqrt(max(_SLOW_TIE_S / interval, 1.0))
    arm, arm_sd = np.full((len(rows), 3), np.nan), np.full(len(rows), np.nan)
    if forearm is not None:
        arm, arm_sd = forearm.direction[rows] @ view.rotation.T, forearm.sd_rad[rows]
    focal_share = np.sqrt(camera.covariance[0, 0])
    liveliness = _liveliness(nodes[order], calm_share=settings.calm_share)
    return Evidence(
        time_s=nodes[order],
        kick=int(number[len(frames) + 1]),
        node=number[: len(frames)],
        flat=flat,
        sd=sd * crowd,
        stray_cost=_STRAY_COST + _STRAY_BY_SCORE * track.score[rows],
        shake=camera.shake_px / view.focal_px,
        depth_m=depth,
        depth_sd_m=np.full(len(rows), wander),
        depth_share_sd=float(np.hypot(distance.sd_m / np.nanmedian(metres), focal_share)),
        hand=hand_flat,
        hand_sd=np.hypot(crowd * _HAND_SD_M / depth, camera.shake_px / view.focal_px),
        forearm=arm,
        forearm_sd=arm_sd,
        hand_sign={Handedness.RIGHT: 1, Handedness.LEFT: -1}.get(hand, 0),
        struck=struck,
        size=size,
        turning_jerk=settings.turning_jerk * liveliness,
        moving_jerk=settings.moving_jerk * liveliness,
    )


def _liveliness(time_s: np.ndarray, *, calm_share: float) -> np.ndarray:
    """(N − 1,) how freely the speeds wander between instants, as a part of what they do round the
    contact: a paddle is swung there, and carried before and after."""
    middle = (time_s[1:] + time_s[:-1]) / 2
    swung = np.exp(-0.5 * ((middle - _SWUNG_S) / _SWUNG_HALF_S) ** 2)
    return calm_share + (1 - calm_share) * swung

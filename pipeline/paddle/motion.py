"""A paddle's motion through a stroke, and what one is fitted to."""

from dataclasses import dataclass

import numpy as np

from paddlebrief.paddle.size import PaddleSize
from paddlebrief.paddle.struck_ball import StruckBall
from paddlebrief.paddle.turning import exp

__all__ = ["Evidence", "State"]


@dataclass(frozen=True, kw_only=True)
class State:
    """A motion: (N, 3, 3) rotation, (N, 3) place, turning, speed; (3,) log_size, depth_share.

    ``turning`` in radians a second and ``speed`` in metres a second, camera frame;
    ``depth_share`` is the common relative error of the given depths.
    """

    rotation: np.ndarray
    place: np.ndarray
    turning: np.ndarray
    speed: np.ndarray
    log_size: np.ndarray
    depth_share: float

    def moved(self, nodes: np.ndarray, shared: np.ndarray) -> "State":
        """Changed by (…, N, 12) and (…, 4): turn, place, turning, speed; size, depth share."""
        return State(
            rotation=exp(nodes[..., :3]) @ self.rotation,
            place=self.place + nodes[..., 3:6],
            turning=self.turning + nodes[..., 6:9],
            speed=self.speed + nodes[..., 9:],
            log_size=self.log_size + shared[..., :3],
            depth_share=self.depth_share + shared[..., 3],
        )


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """What a motion is fitted to; F frames belong to some of N nodes.

    Attributes
    ----------
    time_s
        (N,) seconds on court, not falling; one node stands twice, just before and after impact.
    kick
        Number of the node just before the impact.
    node
        (F,) node of each frame.
    flat, sd
        (F, 5, 2) directions of the keypoints and (F, 5) their standard uncertainty; NaN unseen.
    stray_cost
        (F,) less the log-probability of seeing something else that looks like a paddle, against
        that of seeing the paddle just where it is; NaN unseen.
    shake
        Standard deviation of the directions' common error in one frame.
    depth_m, depth_sd_m, depth_share_sd
        (F,) depth of the hand, its own uncertainty in a frame, and the common relative one.
    hand, hand_sd
        (F, 2) direction of the hand and (F,) its standard uncertainty; NaN unknown.
    forearm, forearm_sd
        (F, 3) unit vector from elbow to wrist, camera frame, and (F,) radians; NaN unknown.
    hand_sign
        1 for a right hand, −1 for a left one, 0 not known.
    struck
        The ball at the impact; None unknown.
    size
        What is known of the paddle beforehand.
    turning_jerk, moving_jerk
        (N − 1,) as in the settings, between neighbouring nodes.
    """

    time_s: np.ndarray
    kick: int
    node: np.ndarray
    flat: np.ndarray
    sd: np.ndarray
    stray_cost: np.ndarray
    shake: float
    depth_m: np.ndarray
    depth_sd_m: np.ndarray
    depth_share_sd: float
    hand: np.ndarray
    hand_sd: np.ndarray
    forearm: np.ndarray
    forearm_sd: np.ndarray
    hand_sign: int
    struck: StruckBall | None
    size: PaddleSize
    turning_jerk: np.ndarray
    moving_jerk: np.ndarray

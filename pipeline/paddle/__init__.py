"""The paddle: seen frame by frame, and its pose through a stroke with uncertainty."""

from paddlebrief.paddle.assumed import assumed_camera
from paddlebrief.paddle.look import (
    PaddleLook,
    consistent,
    face_middle_px,
    look_for_paddle,
    meets_ball,
)
from paddlebrief.paddle.pose import paddle_pose
from paddlebrief.paddle.records import (
    Forearm,
    HandDistance,
    PaddlePose,
    PaddleTrack,
    Striking,
)
from paddlebrief.paddle.settings import PaddleSettings
from paddlebrief.paddle.size import PaddleSize, pooled_size
from paddlebrief.paddle.struck_ball import BallAtHit, ball_at_hit

__all__ = [
    "BallAtHit",
    "Forearm",
    "HandDistance",
    "PaddleLook",
    "PaddlePose",
    "PaddleSettings",
    "PaddleSize",
    "PaddleTrack",
    "Striking",
    "assumed_camera",
    "ball_at_hit",
    "consistent",
    "face_middle_px",
    "look_for_paddle",
    "meets_ball",
    "paddle_pose",
    "pooled_size",
]

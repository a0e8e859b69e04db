"""The paddle: seen frame by frame, and its pose through a stroke with uncertainty."""

from paddlebrief.paddle.assumed import assumed_camera
from paddlebrief.paddle.look import PaddleLook, consistent, look_for_paddle
from paddlebrief.paddle.pose import Forearm, HandDistance, PaddlePose, Striking, paddle_pose
from paddlebrief.paddle.records import PaddleTrack
from paddlebrief.paddle.settings import PaddleSettings
from paddlebrief.paddle.size import PaddleSize, pooled_size

__all__ = [
    "Forearm",
    "HandDistance",
    "PaddleLook",
    "PaddlePose",
    "PaddleSettings",
    "PaddleSize",
    "PaddleTrack",
    "Striking",
    "assumed_camera",
    "consistent",
    "look_for_paddle",
    "paddle_pose",
    "pooled_size",
]

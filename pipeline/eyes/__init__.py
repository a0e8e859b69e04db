"""Eyes: networks that find the paddle in a hand and the balls in the air, frame by frame."""

from paddlebrief.eyes.ball_net import BallNet, BallsSeen
from paddlebrief.eyes.crops import Square
from paddlebrief.eyes.paddle_net import PADDLE_POINTS, PaddleNet, PaddleSeen, hand_squares
from paddlebrief.eyes.settings import EyeSettings

__all__ = [
    "PADDLE_POINTS",
    "BallNet",
    "BallsSeen",
    "EyeSettings",
    "PaddleNet",
    "PaddleSeen",
    "Square",
    "hand_squares",
]

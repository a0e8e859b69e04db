"""The ball: from candidates in pictures to flights, bounces and hits, in metres where possible."""

from paddlebrief.ball.records import (
    BallCamera,
    BallTrack,
    Break,
    BreakKind,
    Candidates,
    Flight,
)
from paddlebrief.ball.settings import BallTrackSettings
from paddlebrief.ball.shots import Shot, Value, find_shot, leaving_px, measure_shot
from paddlebrief.ball.track import track_balls

__all__ = [
    "BallCamera",
    "BallTrack",
    "BallTrackSettings",
    "Break",
    "BreakKind",
    "Candidates",
    "Flight",
    "Shot",
    "Value",
    "find_shot",
    "leaving_px",
    "measure_shot",
    "track_balls",
]

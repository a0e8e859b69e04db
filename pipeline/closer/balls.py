"""Balls of a recording: candidates to tracks, with the camera of each stretch."""

from dataclasses import replace

from paddlebrief.ball import BallTrack, BallTrackSettings, track_balls
from paddlebrief.ball.records import Candidates
from paddlebrief.court import Court
from paddlebrief.records import FootageInfo

__all__ = ["ball_tracks"]


def ball_tracks(
    info: FootageInfo, candidates: Candidates | None, court: Court, settings: BallTrackSettings
) -> list[BallTrack]:
    """Balls in flight in order of stretches, in metres where the camera is solved.

    Empty when balls were not looked for, or none flew.
    """
    if candidates is None:
        return []
    spans = [(s.start_s, s.end_s, s.camera) for s in court.spans]
    spans = spans or [(info.start_s, info.end_s, None)]
    tracks: list[BallTrack] = []
    for start_s, end_s, camera in spans:
        inside = candidates.between(start_s / info.slow_factor, end_s / info.slow_factor)
        tracks += track_balls(inside, camera=camera, width_px=info.width_px, settings=settings)
    return [replace(t, number=k + 1) for k, t in enumerate(tracks)]

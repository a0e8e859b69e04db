"""The tracker's verb: candidates of a recording become tracks of balls in flight."""

import logging

from paddlebrief.ball.arcs import find_arcs, moving_rows
from paddlebrief.ball.build import fit_linked, link_arcs
from paddlebrief.ball.joints import find_joints, merge_through_gaps
from paddlebrief.ball.records import BallCamera, BallTrack, Candidates
from paddlebrief.ball.settings import BallTrackSettings

__all__ = ["track_balls"]

log = logging.getLogger(__name__)


def track_balls(
    candidates: Candidates,
    *,
    camera: BallCamera | None,
    width_px: int,
    settings: BallTrackSettings,
) -> list[BallTrack]:
    """Balls in flight, in order of time; empty when nothing flies.

    Candidates that stay in place are left out, the others are put together to arcs in the
    picture, arcs that meet between frames to chains. With a solved court each chain is fitted as
    flights with gravity, drag and spin; what does not fly so is dropped. Without one, chains of
    arcs remain, their breaks timed where the arcs meet.

    Parameters
    ----------
    candidates
        Of a whole recording or a part of it; times in seconds on court.
    camera
        The solved camera, or None.
    width_px
        Width of the picture: the scale of speeds in it.
    settings
        Gates and physics.
    """
    rows = moving_rows(candidates, settings)
    arcs = find_arcs(candidates, rows, width_px=width_px, settings=settings)
    arcs = merge_through_gaps(arcs, candidates, width_px=width_px, settings=settings)
    joints = find_joints(arcs, candidates, width_px=width_px, settings=settings)
    tracks: list[BallTrack] = []
    for linked in link_arcs(arcs, joints):
        if camera is None:
            tracks += planar_tracks(linked, candidates, width_px, settings)
            continue
        for fit in fit_linked(linked, candidates, camera, settings):
            tracks.append(_track(fit, candidates, camera, width_px, settings))
    tracks.sort(key=lambda t: t.start_s)
    log.info("%d candidates, %d arcs, %d tracks", len(candidates), len(arcs), len(tracks))
    return [_numbered(t, k + 1) for k, t in enumerate(tracks)]

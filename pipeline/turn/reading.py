"""Reads a player's turns from the frames of a stretch of recording, a second look at few frames.

Sight keeps landmarks, not pictures. Where turns are wanted, the frames are opened again, the pose
network gives the player's mask for the crop that the landmarks say, and the turn network reads
the three pictures round each frame.
"""

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from paddlebrief.footage.frames import Frame
from paddlebrief.pose_net import Pose, PoseNet
from paddlebrief.records import Track
from paddlebrief.turn.fusion import Calibration, Turns, fuse
from paddlebrief.turn.inputs import (
    NEIGHBOUR_S,
    Framing,
    TurnInput,
    View,
    body_crop,
    frame_player,
    make_input,
)
from paddlebrief.turn.net import TurnNet, TurnOutput

__all__ = ["Reading", "read_frames", "read_turns"]

_BATCH = 8
_NEAR_ENOUGH = 0.4  # a neighbour may be off its time by this share of ``NEIGHBOUR_S``


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What the network said of n frames.

    Attributes
    ----------
    frame
        (n,) indices of the frames.
    time_s
        (n,) presentation times.
    output
        Distributions, each in its frame's line-of-sight frame.
    framings
        How each crop lay.
    sight_rad
        (n,) heading of the line of sight in the court frame; None where the court is not solved.
    """

    frame: np.ndarray
    time_s: np.ndarray
    output: TurnOutput
    framings: tuple[Framing, ...]
    sight_rad: np.ndarray | None


@dataclass(frozen=True)
class _Look:
    frame: int
    time_s: float
    picture: np.ndarray
    pose: Pose
    landmarks_px: np.ndarray


def read_frames(
    frames: Iterable[Frame],
    track: Track,
    *,
    pose_net: PoseNet,
    turn_net: TurnNet,
    view: View,
    slow_factor: float = 1.0,
    both_ways: bool = False,
) -> Reading:
    """Distributions for every frame in which a track has whole landmarks.

    Parameters
    ----------
    frames
        In order of time; those that the track does not know are passed over.
    track
        One player, left and right settled.
    pose_net, turn_net
        The networks.
    view
        How the camera is held.
    slow_factor
        Seconds of playback for one second on court.
    both_ways
        Read each input in the mirror too (see ``TurnNet``).

    Returns
    -------
    Reading
        Without frames when the track and the frames share none.
    """
    inputs, framings, outputs, index, times = [], [], [], [], []

    def flush() -> None:
        if inputs:
            outputs.append(turn_net(inputs, both_ways=both_ways))
            inputs.clear()

    for look, made, framing in _inputs(frames, track, pose_net, view, slow_factor):
        inputs.append(made)
        framings.append(framing)
        index.append(look.frame)
        times.append(look.time_s)
        if len(inputs) == _BATCH:
            flush()
    flush()
    joined = outputs or [turn_net([])]
    sights = None
    if view.rotation is not None:
        ahead = np.array([view.rotation.T @ f.to_sight[1] for f in framings]).reshape(-1, 3)
        sights = np.arctan2(ahead[:, 1], ahead[:, 0])
    return Reading(
        frame=np.array(index, int),
        time_s=np.array(times, float),
        output=TurnOutput(
            **{
                name: np.concatenate([getattr(o, name) for o in joined])
                for name in TurnOutput.__dataclass_fields__
            }
        ),
        framings=tuple(framings),
        sight_rad=sights,
    )


def read_turns(
    frames: Iterable[Frame],
    track: Track,
    *,
    pose_net: PoseNet,
    turn_net: TurnNet,
    calibration: Calibration,
    view: View,
    slow_factor: float = 1.0,
    both_ways: bool = True,
) -> Turns | None:
    """A player's fused turns over a stretch; None when no frame can be read.

    Parameters
    ----------
    frames, track, pose_net, turn_net, view, slow_factor, both_ways
        As for ``read_frames``.
    calibration
        Scales the uncertainties.
    """
    reading = read_frames(
        frames,
        track,
        pose_net=pose_net,
        turn_net=turn_net,
        view=view,
        slow_factor=slow_factor,
        both_ways=both_ways,
    )
    if not len(reading.time_s):
        return None
    return fuse(
        reading.output,
        reading.time_s / slow_factor,
        calibration=calibration,
        sight_rad=reading.sight_rad,
    )


def _inputs(
    frames: Iterable[Frame], track: Track, pose_net: PoseNet, view: View, slow_factor: float
) -> Iterator[tuple[_Look, TurnInput, Framing]]:
    reach = NEIGHBOUR_S * slow_factor
    looks: deque[_Look] = deque()
    waiting: deque[_Look] = deque()
    for look in _looks(frames, track, pose_net):
        looks.append(look)
        waiting.append(look)
        while waiting and look.time_s >= waiting[0].time_s + (1 + _NEAR_ENOUGH) * reach:
            yield _made(waiting.popleft(), looks, view, reach)
        while waiting and looks[0].time_s < waiting[0].time_s - (1 + _NEAR_ENOUGH) * reach:
            looks.popleft()
    while waiting:
        yield _made(waiting.popleft(), looks, view, reach)


def _looks(frames: Iterable[Frame], track: Track, pose_net: PoseNet) -> Iterator[_Look]:
    rows = {int(f): k for k, f in enumerate(track.frame)}
    for frame in frames:
        row = rows.get(frame.index)
        if row is None or frame.repeat or not np.isfinite(track.landmarks_px[row]).all():
            continue
        marks = track.landmarks_px[row]
        pose = pose_net.place(frame.picture_bgr, body_crop(marks))
        yield _Look(frame.index, frame.time_s, frame.picture_bgr, pose, marks)


def _made(
    look: _Look, looks: deque[_Look], view: View, reach_s: float
) -> tuple[_Look, TurnInput, Framing]:
    around = [look, look, look]
    for place, wanted in ((0, look.time_s - reach_s), (2, look.time_s + reach_s)):
        nearest = min(looks, key=lambda other, at=wanted: abs(other.time_s - at))
        if abs(nearest.time_s - wanted) <= _NEAR_ENOUGH * reach_s:
            around[place] = nearest
    framing = frame_player(look.landmarks_px, view)
    made = make_input(
        [n.picture for n in around],
        [n.pose for n in around],
        landmarks_px=look.landmarks_px,
        framing=framing,
    )
    return look, made, framing

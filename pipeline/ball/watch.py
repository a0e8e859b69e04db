"""Runs the ball network over stretches of a recording and keeps what may be a ball."""

from collections.abc import Iterable, Sequence
from concurrent.futures import Executor, Future, wait
from dataclasses import dataclass

import cv2
import numpy as np

from paddlebrief.ball.records import Candidates
from paddlebrief.ball.steady import Anchor, Steadier
from paddlebrief.eyes import BallNet, BallsSeen
from paddlebrief.eyes.ball_net import FAR_S, ReadyFrame
from paddlebrief.footage import Frame
from paddlebrief.records import FootageInfo

__all__ = ["AFTER_S", "BEFORE_S", "BallWatch", "stretches_around", "watch_balls"]

BEFORE_S, AFTER_S = 1.3, 1.6
"""Seconds on court around a contact in which its ball comes and goes: a drive lands after 0.5 to
0.9 s, a lob after 1.5 s (worked out from the drag law)."""

_FARTHEST_FRAMES, _FARTHEST_S = 3.5, 0.05
"""Neighbours are no farther apart than the larger of so many frame intervals, which bridges runs of
up to two repeated pictures, and so many seconds on court, which fits frames thinned to 20 Hz."""


_AHEAD = 8
"""Frames that may wait for the network."""


class _Here(Executor):
    """Does what it is given at once."""

    def submit(self, fn, /, *args, **kwargs) -> Future:
        done: Future = Future()
        done.set_result(fn(*args, **kwargs))
        return done


@dataclass(frozen=True, kw_only=True)
class _Greyed:
    frame: Frame
    grey: ReadyFrame
    number: int  # among those the steadier knows


class BallWatch:
    """Looks for balls in frames as they come; one instance serves one recording.

    Each frame is looked at together with the one before, the one after, and two farther off. Where
    the camera shakes these are laid onto it first, so that only balls and people move.
    Repeated pictures are passed over, since they have no instant of their own; a frame without a
    neighbour on one side, at the end of a stretch or beside a gap, is not looked at.

    Parameters
    ----------
    net
        The ball network.
    info
        The recording: says how far apart neighbours are, and what presentation time is on court.
    steady
        Take the camera's shake off: for a camera that shakes by more than half a pixel, since it
        costs half as much again as the network.
    anchors
        What the solved court knows of the shake (`steady.anchors_of`): places are then those that
        the solved camera sees. Without them they are those in the middle of the frames taken.
    workers
        Where the network runs, several frames at a time; None runs it here. The network must
        then be fit for it, as those of ONNX Runtime are.
    """

    def __init__(
        self,
        net: BallNet,
        info: FootageInfo,
        *,
        steady: bool = False,
        anchors: Sequence[Anchor] = (),
        workers: Executor | None = None,
    ) -> None:
        self._net, self._info = net, info
        self._workers = workers or _Here()
        self._steadier = Steadier(anchors) if steady else None
        self._run: list[_Greyed] = []
        self._next = 1
        self._added = 0
        self._number: list[int] = []
        self._frame: list[int] = []
        self._time_s: list[float] = []
        self._seen: list[Future[BallsSeen]] = []

    def step(self, frame: Frame) -> None:
        """Take the next frame, in order of presentation; stretches may leave frames out.

        Raises
        ------
        ValueError
            When the frame is not later than the one before.
        """
        if self._run and frame.index <= self._run[-1].frame.index:
            last = self._run[-1].frame.index
            raise ValueError(f"expected a frame after {last}, got {frame.index}")
        if frame.repeat:
            return
        if self._run and not self._are_neighbours(self._run[-1].frame, frame):
            self._look_at_rest()
            self._run, self._next = [], 1
        grey = cv2.cvtColor(frame.picture_bgr, cv2.COLOR_BGR2GRAY)
        self._run.append(_Greyed(frame=frame, grey=self._net.ready(grey), number=self._added))
        self._added += 1
        if self._steadier is not None:
            self._steadier.add(frame.picture_bgr, frame.time_s)
        while self._next < len(self._run) - 1 and self._off_s(self._next, -1) >= self._far_s:
            self._look()

    def _look_at_rest(self) -> None:
        """Look at the frames that still wait for what comes later."""
        while self._next < len(self._run) - 1:
            self._look()

    def _look(self) -> None:
        """Look at the next frame of the run, and forget what is no longer needed."""
        middle = self._run[self._next]
        around = [self._run[k] for k in self._around(self._next)]
        moves = [self._onto(each, middle) for each in around]
        greys = [each.grey for each in around]
        self._seen.append(self._workers.submit(_laid_and_seen, self._net, greys, moves))
        wait(self._seen[-_AHEAD - 1 : -_AHEAD])  # memory stays flat
        self._number.append(middle.number)
        self._frame.append(middle.frame.index)
        self._time_s.append(middle.frame.time_s)
        self._next += 1
        spare = max(0, self._around(self._next)[0]) if self._next < len(self._run) else 0
        self._run, self._next = self._run[spare:], self._next - spare

    def _onto(self, each: _Greyed, middle: _Greyed) -> np.ndarray | None:
        """(2, 3) map of a frame onto the one in question; None where it stays as it is."""
        if self._steadier is None or each is middle:
            return None
        return self._steadier.between(each.number, middle.number)

    def _around(self, middle: int) -> list[int]:
        """Places in the run of the five frames around one, in order of time."""
        first, last = middle - 1, min(middle + 1, len(self._run) - 1)
        while first > 0 and self._off_s(first, middle) < self._far_s:
            first -= 1
        while last < len(self._run) - 1 and self._off_s(middle, last) < self._far_s:
            last += 1
        return [first, middle - 1, middle, min(middle + 1, len(self._run) - 1), last]

    def _off_s(self, first: int, last: int) -> float:
        """Seconds on court between two frames of the run."""
        away_s = self._run[last].frame.time_s - self._run[first].frame.time_s
        return away_s / self._info.slow_factor

    @property
    def _far_s(self) -> float:
        """An outer frame is the first one that is so far off: half an interval less than
        `FAR_S`, that of two."""
        interval_s = self._info.frame_interval_s
        return max(FAR_S, 2 * interval_s) - interval_s / 2

    def _are_neighbours(self, a: Frame, b: Frame) -> bool:
        apart_s = (b.time_s - a.time_s) / self._info.slow_factor
        return apart_s <= max(_FARTHEST_FRAMES * self._info.frame_interval_s, _FARTHEST_S)

    def candidates(self) -> Candidates:
        """What was found so far, times on court; empty when nothing was."""
        self._look_at_rest()
        all_seen = [s.result() for s in self._seen]
        counts = [len(s) for s in all_seen]
        time_s = np.array(self._time_s, float) / self._info.slow_factor
        px = _stacked([s.middle_px for s in all_seen])
        if self._steadier is not None:
            px = self._steadier.steadied(px, np.repeat(np.array(self._number, int), counts))
        return Candidates(
            frame=np.repeat(np.array(self._frame, int), counts),
            time_s=np.repeat(time_s, counts),
            px=px,
            sd_px=np.concatenate([np.empty(0), *(s.sd_px for s in all_seen)]),
            score=np.concatenate([np.empty(0), *(s.score for s in all_seen)]),
            streak_px=_stacked([s.end_px - s.start_px for s in all_seen]),
            frame_time_s=time_s,
            steadied=self._steadier is not None,
        )


def _laid_and_seen(
    net: BallNet, greys: Sequence[ReadyFrame], moves: Sequence[np.ndarray | None]
) -> BallsSeen:
    """What the network sees once a shaken camera's frames are laid onto the middle one."""
    laid = zip(greys, moves, strict=True)
    return net.look([grey if move is None else grey.moved(move) for grey, move in laid])


def _stacked(parts: list[np.ndarray]) -> np.ndarray:
    return np.concatenate([np.empty((0, 2)), *parts])


def watch_balls(
    frames: Iterable[Frame], net: BallNet, *, info: FootageInfo, steady: bool = False
) -> Candidates:
    """Candidates for flying balls in frames of one recording; empty for fewer than three frames.

    Parameters
    ----------
    frames
        In order of presentation; may be several stretches one after the other, with gaps between.
    net, info, steady
        See `BallWatch`.
    """
    watch = BallWatch(net, info, steady=steady)
    for frame in frames:
        watch.step(frame)
    return watch.candidates()


def stretches_around(
    contacts_s: Sequence[float],
    *,
    slow_factor: float,
    before_s: float = BEFORE_S,
    after_s: float = AFTER_S,
) -> list[tuple[float, float]]:
    """Stretches of a recording in which the balls of strokes fly.

    Parameters
    ----------
    contacts_s
        Presentation times of contacts, in any order.
    slow_factor
        Seconds of playback for one on court.
    before_s, after_s
        Seconds on court kept on either side.

    Returns
    -------
    list of (start_s, end_s)
        Presentation times, rising and apart; stretches that touch are one.
    """
    merged: list[tuple[float, float]] = []
    for contact in sorted(contacts_s):
        start, end = contact - before_s * slow_factor, contact + after_s * slow_factor
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((start, end))
    return merged

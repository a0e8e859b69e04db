"""Finds flying balls in the middle one of five frames: place and streak.

Next to the frame lie its two neighbours, which show a streak's way. The outer two are farther
off, as a ball that comes along the camera's axis or floats far away hardly moves from one frame
to the next, and what stands behind it shows only once it has gone.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from paddlebrief.eyes.network import Layout, Network
from paddlebrief.eyes.settings import EyeSettings
from paddlebrief.eyes.weights import record, shipped

__all__ = ["BALL_LAYOUT", "FAR_S", "BallNet", "BallsSeen", "ReadyFrame"]

BALL_LAYOUT = Layout(classes=1, points=2, point_values=2, inputs=5)
FAR_S = 1 / 15
"""Time on court from the frame in question to the outer ones, seconds."""
_SIDE_MULTIPLE = 32
_APART = 0.6  # of a box's longer side, at least 3 px: nearer findings are one ball
_APART_PX = 3.0


@dataclass(frozen=True, kw_only=True)
class BallsSeen:
    """Candidates for flying balls in one frame, best first; n is 0 when there are none.

    Attributes
    ----------
    score
        (n,) probability of a flying ball, 0 to 1.
    start_px, end_px
        (n, 2) where the ball was when the shutter opened and when it closed, picture pixels.
    sd_px
        (n,) standard uncertainty of a coordinate of the streak's middle, picture pixels, from
        held-out renders.
    """

    score: np.ndarray
    start_px: np.ndarray
    end_px: np.ndarray
    sd_px: np.ndarray

    def __len__(self) -> int:
        return len(self.score)

    @property
    def middle_px(self) -> np.ndarray:
        """(n, 2) where the ball was in the middle of the exposure."""
        return (self.start_px + self.end_px) / 2

    @property
    def length_px(self) -> np.ndarray:
        """(n,) length of the streak between the two places of the ball's centre."""
        return np.linalg.norm(self.end_px - self.start_px, axis=1)

    @property
    def heading_rad(self) -> np.ndarray:
        """(n,) direction of travel in the picture, from +x (right) towards +y (down)."""
        way = self.end_px - self.start_px
        return np.arctan2(way[:, 1], way[:, 0])


@dataclass(frozen=True, kw_only=True)
class ReadyFrame:
    """A picture as the network takes it: (h, w) grey, and the (2,) factors across and down."""

    grey: np.ndarray
    scale: np.ndarray

    def moved(self, onto: np.ndarray) -> "ReadyFrame":
        """The frame laid onto another one by a (2, 3) map of picture pixels."""
        here = onto.copy()
        here[:, :2] *= self.scale[:, None] / self.scale
        middle = 0.5 / self.scale - 0.5  # picture pixel of this frame's first one
        here[:, 2] = (onto[:, :2] @ middle + onto[:, 2] + 0.5) * self.scale - 0.5
        size = self.grey.shape[1], self.grey.shape[0]
        grey = cv2.warpAffine(self.grey, here, size, borderMode=cv2.BORDER_REPLICATE)
        return ReadyFrame(grey=grey, scale=self.scale)


class BallNet:
    """The ball network, ready to run; one instance serves one thread.

    Raises
    ------
    PaddlebriefError
        When weights named in the settings are missing or of another kind.
    """

    def __init__(self, settings: EyeSettings | None = None) -> None:
        settings = settings or EyeSettings()
        self._settings = settings.ball
        self._network = Network(
            settings.ball.weights or shipped("ball.onnx"),
            BALL_LAYOUT,
            threads=settings.threads,
            backend=settings.backend,
        )
        noise = record()["ball_noise"]
        self._classes = np.array(noise["score"][:-1])
        self._sd_px = np.array(noise["sd_px"])

    def ready(self, frame: np.ndarray) -> ReadyFrame:
        """A grey picture (h, w), uint8, in the network's size: made once, looked at five times."""
        height, width = frame.shape
        factor = min(1.0, self._settings.long_side_px / max(height, width))
        size = max(1, round(width * factor)), max(1, round(height * factor))
        if factor < 1:
            frame = cv2.resize(frame, size, interpolation=cv2.INTER_AREA)
        low, wide = (-size[1]) % _SIDE_MULTIPLE, (-size[0]) % _SIDE_MULTIPLE
        padded = np.pad(frame, ((0, low), (0, wide)), constant_values=114)
        return ReadyFrame(grey=padded, scale=np.array([size[0] / width, size[1] / height]))

    def look(self, frames: Sequence[np.ndarray | ReadyFrame]) -> BallsSeen:
        """Flying balls in the middle one of five frames.

        Parameters
        ----------
        frames
            Five (h, w) uint8 grey pictures of equal size, made ready or not, in order of time: the
            one in question in the middle, its neighbours beside it, and outside two that are
            ``FAR_S`` off. Where there are none, the neighbours stand in for the outer ones; balls
            are found badly without neighbours, since the network looks for what moves.

        Returns
        -------
        BallsSeen
            At most ``most`` candidates.
        """
        ready = [f if isinstance(f, ReadyFrame) else self.ready(f) for f in frames]
        scale = ready[0].scale
        stacked = np.stack([f.grey for f in ready], axis=-1)
        found = self._network.find(stacked[None], min_score=self._settings.min_score)[0]
        middles = found.points_px.mean(axis=1)
        sizes = (found.boxes_px[:, 2:] - found.boxes_px[:, :2]).max(axis=1, initial=0.0)
        kept: list[int] = []
        for k in range(len(found)):
            apart = np.maximum(_APART * sizes[kept], _APART_PX)
            if (np.linalg.norm(middles[kept] - middles[k], axis=1) > apart).all():
                kept.append(k)
            if len(kept) == self._settings.most:
                break
        found = found.only(np.array(kept, int))
        points = (found.points_px + 0.5) / scale - 0.5
        score = found.scores[:, 0]
        return BallsSeen(
            score=score,
            start_px=points[:, 0],
            end_px=points[:, 1],
            sd_px=self._sd_px[np.searchsorted(self._classes, score)] / scale.mean(),
        )

"""Which hand holds the paddle, as the paddle network sees it around a person's swings."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from paddlebrief.errors import FootageError
from paddlebrief.eyes import PaddleNet, hand_squares
from paddlebrief.footage import open_frames
from paddlebrief.records import FootageInfo, Handedness
from paddlebrief.sight import TrackParts

__all__ = ["PaddleHand"]

_HANDS = (Handedness.RIGHT, Handedness.LEFT)
_AHEAD_S = 0.06
"""Looked at so long before contact: the swing is under way, the paddle not yet at its fastest."""
_LEAST_LEAD, _LEAST_SHARE = 0.8, 0.65
"""Sum of probabilities by which one hand must lead, and its share of all leads."""


@dataclass(frozen=True)
class PaddleHand:
    """Looks for the paddle in both hands of a person at given moments."""

    info: FootageInfo
    parts: TrackParts
    net: PaddleNet

    def __call__(self, person: int, times_s: Sequence[float]) -> Handedness:
        """The hand that holds the paddle; UNKNOWN without a clear lead.

        Parameters
        ----------
        person
            Number within the recording.
        times_s
            Presentation times of contacts.
        """
        looks = np.array([self._look(person, t) for t in times_s] or [[0.0, 0.0]])
        # a paddle in both hands, which meet before the body or behind it, says nothing
        leads = np.maximum(looks - looks[:, ::-1], 0.0).sum(axis=0)
        best = int(np.argmax(leads))
        if (
            leads[best] - leads[1 - best] >= _LEAST_LEAD
            and leads[best] >= _LEAST_SHARE * leads.sum()
        ):
            return _HANDS[best]
        return Handedness.UNKNOWN

    def _look(self, person: int, time_s: float) -> np.ndarray:
        """(2,) probability of a paddle in the right and in the left hand."""
        at = time_s - _AHEAD_S * self.info.slow_factor
        reach = 1.5 / float(self.info.frame_rate)
        track = self.parts.window(person, at - reach, at + reach)
        if not len(track.time_s):
            return np.zeros(2)
        row = int(np.argmin(np.abs(track.time_s - at)))
        marks = track.landmarks_px[row][None]
        squares = [hand_squares(marks, hand.value)[0] for hand in _HANDS]
        moment = float(track.time_s[row])
        try:
            with open_frames(self.info.path, start_s=moment - 1e-4, end_s=moment + reach) as frames:
                frame = next(iter(frames), None)
        except FootageError:
            return np.zeros(2)
        if frame is None:
            return np.zeros(2)
        seen = self.net.look(frame.picture_bgr, squares)
        return np.array([0.0 if s is None else s.score for s in seen])

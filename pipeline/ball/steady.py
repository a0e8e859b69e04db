"""Takes a shaken camera's movement off the places of balls.

A solved camera describes the middle of a shaken picture's places. Where the court knows how the
camera stood in some pictures, frames are turned onto that middle; else frames are compared with
the first one that was looked at, and the mean of their movements says where the middle lies.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from paddlebrief.court import Court
from paddlebrief.court.camera import View
from paddlebrief.court.movement import movement_between
from paddlebrief.court.sway import turn_of, turned_px
from paddlebrief.footage import open_frames
from paddlebrief.records import FootageInfo

__all__ = ["STEADIED_PX_SHARE", "Anchor", "Steadier", "anchors_of"]

STEADIED_PX_SHARE = 0.0003
"""Standard deviation of what movement is left, picture widths a coordinate (rendered sessions)."""

_STAY = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


@dataclass(frozen=True, kw_only=True)
class Anchor:
    """A picture in which it is known how a shaken camera stood.

    Attributes
    ----------
    start_s, end_s
        Presentation times for which the solved camera holds.
    picture_bgr
        (h, w, 3) uint8 of the recording's size.
    view
        The solved camera: the middle place.
    turn_rad
        (3,) the picture's turn from there, camera frame.
    """

    start_s: float
    end_s: float
    picture_bgr: np.ndarray
    view: View
    turn_rad: np.ndarray


def anchors_of(info: FootageInfo, court: Court) -> tuple[Anchor, ...]:
    """An anchor for each stretch in which a shaken camera was solved; often none.

    Raises
    ------
    FootageError
        When the recording cannot be read.
    """
    anchors = []
    for span in court.spans:
        if span.camera is None or span.sway is None:
            continue
        nearest = int(np.argmin(np.linalg.norm(span.sway.turn_rad, axis=1)))
        with open_frames(info.path, start_s=float(span.sway.time_s[nearest]) - 1e-6) as frames:
            frame = next(iter(frames), None)
        if frame is not None:
            anchors.append(
                Anchor(
                    start_s=span.start_s,
                    end_s=span.end_s,
                    picture_bgr=frame.picture_bgr,
                    view=span.camera.view,
                    turn_rad=span.sway.turn_rad[nearest],
                )
            )
    return tuple(anchors)


class Steadier:
    """Movements of frames, in the order they were given.

    Parameters
    ----------
    anchors
        Pictures in which the camera's turn is known; with none, the first frame stands in.
    """

    def __init__(self, anchors: Sequence[Anchor] = ()) -> None:
        self._anchors = tuple(anchors)
        self._turns: list[tuple[Anchor | None, np.ndarray]] = []
        self._reference: np.ndarray | None = None
        self._maps: list[np.ndarray] = []

    def add(self, picture_bgr: np.ndarray, time_s: float) -> None:
        """Compare the next frame; one that matches nothing is taken to lie like the last."""
        if self._anchors:
            self._turns.append(self._turned(picture_bgr, time_s))
            return
        if self._reference is None:
            self._reference = picture_bgr
            self._maps.append(_STAY)
            return
        moved = movement_between(self._reference, picture_bgr)
        self._maps.append(self._maps[-1] if moved is None else moved.onto)

    def _turned(self, picture_bgr: np.ndarray, time_s: float) -> tuple[Anchor | None, np.ndarray]:
        """The anchor of a moment and the frame's turn from its view; no anchor, no turn."""
        anchor = next((a for a in self._anchors if a.start_s <= time_s <= a.end_s), None)
        if anchor is None:
            return None, np.zeros(3)
        moved = movement_between(anchor.picture_bgr, picture_bgr)
        turn = None if moved is None else turn_of(moved, anchor.view)
        if turn is None:
            last, at = self._turns[-1] if self._turns else (None, None)
            return anchor, at if last is anchor else anchor.turn_rad
        there = Rotation.from_rotvec(turn.turn_rad) * Rotation.from_rotvec(anchor.turn_rad)
        return anchor, there.as_rotvec()

    def steadied(self, px: np.ndarray, number: np.ndarray) -> np.ndarray:
        """(n, 2) places in the middle picture.

        Parameters
        ----------
        px
            (n, 2) places in frames.
        number
            (n,) int, place of each one's frame among those added.
        """
        if self._anchors:
            return self._unturned(px, number)
        if len(self._maps) == 0:
            return px
        maps = np.array(self._maps)
        inverse = np.linalg.inv(maps[:, :, :2])
        middle = inverse.mean(axis=0)
        shift = -np.einsum("nij,nj->ni", inverse, maps[:, :, 2]).mean(axis=0)
        at_first = np.einsum("nij,nj->ni", maps[number, :, :2], px) + maps[number, :, 2]
        return at_first @ middle.T + shift

    def _unturned(self, px: np.ndarray, number: np.ndarray) -> np.ndarray:
        out = np.array(px, float)
        for k in np.unique(number):
            anchor, turn = self._turns[k]
            if anchor is not None:
                at = turned_px(px[number == k], anchor.view, -turn)
                # Beyond the lens model nothing better is known.
                out[number == k] = np.where(np.isfinite(at), at, px[number == k])
        return out

"""Takes a shaken camera's movement off the places of balls.

A solved camera describes the middle of a shaken picture's places. Where the court knows how the
camera stood in some pictures, frames are turned onto that middle; else frames are compared with
the first one of them, and the mean of their movements says where the middle lies.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from paddlebrief.court import Court
from paddlebrief.court.camera import View
from paddlebrief.court.movement import Movement, movement_between
from paddlebrief.court.sway import turn_of, turned_px
from paddlebrief.footage import open_frames
from paddlebrief.records import FootageInfo

__all__ = ["STEADIED_PX_SHARE", "Anchor", "Steadier", "anchors_of"]

STEADIED_PX_SHARE = 0.0003
"""Standard deviation of what movement is left, picture widths a coordinate (rendered sessions)."""

_STAY = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
_NOWHERE = -1  # reference of frames without one


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
        self._compared: list[int] = []  # numbers of the anchors that frames were compared with

    def add(self, picture_bgr: np.ndarray, time_s: float) -> None:
        """Compare the next frame; one that matches nothing is taken to lie like the last."""
        if self._anchors:
            numbers = (k for k, a in enumerate(self._anchors) if a.start_s <= time_s <= a.end_s)
            number = next(numbers, None)
            anchor = None if number is None else self._anchors[number]
            moved = None if anchor is None else movement_between(anchor.picture_bgr, picture_bgr)
            self._turns.append(self._turned(anchor, moved))
            self._place(_NOWHERE if number is None else number, moved)
            return
        if self._reference is None:
            self._reference = picture_bgr
            moved = Movement.none()
        else:
            moved = movement_between(self._reference, picture_bgr)
        self._place(0, moved)

    def _place(self, reference: int, moved: Movement | None) -> None:
        """Note a frame's map onto its reference; the last one's where they do not match."""
        last = self._maps[-1] if self._compared and self._compared[-1] == reference else _STAY
        self._maps.append(last if moved is None else moved.onto)
        self._compared.append(reference)

    def between(self, number: int, other: int) -> np.ndarray | None:
        """(2, 3) map of one frame's pixels onto another's, by their places among those added.

        None when it is not known, since they were not compared with the same picture.
        """
        if self._compared[number] != self._compared[other] or self._compared[number] == _NOWHERE:
            return None
        to_other = cv2.invertAffineTransform(self._maps[other])
        linear = to_other[:, :2] @ self._maps[number][:, :2]
        shift = to_other[:, :2] @ self._maps[number][:, 2] + to_other[:, 2]
        return np.column_stack([linear, shift])

    def _turned(
        self, anchor: Anchor | None, moved: Movement | None
    ) -> tuple[Anchor | None, np.ndarray]:
        """An anchor and a frame's turn from its view; no anchor, no turn."""
        if anchor is None:
            return None, np.zeros(3)
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
